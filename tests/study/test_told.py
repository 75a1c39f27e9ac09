"""What strangers may read of a study's settings."""

from __future__ import annotations

from pathlib import Path

from morphcline.study import load_study
from morphcline.study.in_force import settings_in_force
from morphcline.study.told import told_settings

STUDY = """
[study]
name = "s"
crs = "EPSG:2154"
area = "deep/down/area.gpkg"
[records]
path = "someone/records.csv"
[habitat]
path = "../there/habitat.tif"
classes = { 1 = "woodland" }
[surfaces]
cell_m = 250
barriers = "lines/rivers.gpkg"
[clines]
transects = "lines/t.gpkg"
transect_name = "kind"
[publish]
blur_m = 500
names = "pseudonyms"
pseudonym_key = "secret.txt"
[[publish.sensitive]]
sites = ["Hidden corner"]
withhold = true
"""


def test_files_by_name_and_nothing_that_is_private(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    study = load_study(tmp_path / "study.toml")
    told = told_settings(study, settings_in_force(study))
    assert told["[surfaces] cell_m"] == 250.0
    assert told["[surfaces] barriers"] == "rivers.gpkg"
    assert told["[habitat] path"] == "habitat.tif"
    assert told["[clines] transects"] == "t.gpkg"
    assert told["[habitat] classes"] == '{"1": "woodland"}'
    assert told["[publish] blur_m"] == 500.0
    assert {name for name in told if name.startswith("[publish]")} == {"[publish] blur_m", "[publish] names"}
    everything = " ".join(f"{name} {value}" for name, value in told.items())
    for private in ("Hidden", "secret", "someone", "deep", "lines/", "there", str(tmp_path)):
        assert private not in everything
    assert all(isinstance(value, str | int | float) for value in told.values())


def test_the_record_of_a_run_tells_no_sensitive_sites_name_and_sees_that_one_changed(tmp_path: Path) -> None:
    found = []
    for site in ("Hidden corner", "Another corner"):
        (tmp_path / "study.toml").write_text(STUDY.replace("Hidden corner", site), encoding="utf-8")
        found.append(settings_in_force(load_study(tmp_path / "study.toml"), ("publish.sensitive",)))
    assert found[0] != found[1]
    assert not any("corner" in str(settings) for settings in found)
    assert found[0]["publish"]["sensitive"][0]["withhold"] is True
