"""What the survey says of one district: its frequencies beside the rest of the region, by habitat, and its sites."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

import pandas as pd

from morphcline.language import _, many
from morphcline.render import labels
from morphcline.render.report import certainty, sentences
from morphcline.render.report.certainty import Finding
from morphcline.render.report.parts import (
    Points,
    Row,
    Section,
    ShownFigure,
    ShownTable,
    leading_traits,
    main_rows,
    number_cell,
    p_cell,
    points_cell,
    points_range,
    rows_of,
)
from morphcline.render.report.phrases import clauses, in_points
from morphcline.render.report.row_fates import code_in_words
from morphcline.render.report.sentences import LEVEL, known
from morphcline.render.report.topics.habitat_table import by_habitat
from morphcline.scoring.species import slug

Tables = Mapping[str, pd.DataFrame]


def findings(rows: Sequence[Row]) -> list[Finding]:
    """Return up to five findings: frequencies of two species, and how they differ from the rest of the region.

    Parameters
    ----------
    rows : sequence of mappings
        Rows of ``districts.csv`` of one district.
    """
    told: list[Finding] = []
    species = sorted(_by_species(rows).items(), key=lambda item: -max(row["total"] for row in item[1]))
    for name, own in species[:2]:
        told += _frequencies(name, own)
    for name, own in species[:2]:
        told += _difference(name, own)
    return told[:5]


def rule() -> str:
    """Say by which rule the findings are chosen."""
    return _(
        "Chosen by rule: how frequent the leading traits are here in the two species with most shells, and for each "
        "the trait whose difference from the rest of the region has the smallest p, or that none was seen."
    )


def _by_species(rows: Iterable[Row]) -> dict[str, list[Row]]:
    groups: dict[str, list[Row]] = {}
    for row in rows:
        groups.setdefault(str(row["species"]), []).append(row)
    return groups


def _leading(rows: Sequence[Row]) -> list[Row]:
    leading = leading_traits(str(row["trait"]) for row in rows)
    return [row for row in rows if row["trait"] in leading]


def _frequencies(species: str, rows: Sequence[Row]) -> list[Finding]:
    leading = _leading(rows)
    most = max(leading, key=lambda row: float(row["total"]))
    told = [row for row in leading if known(row["frequency"])]
    if not told:
        text = _("{species}: too few shells or sites for a frequency ({basis}).").format(
            species=species, basis=sentences.shells_and_sites(most["total"], most["sites"])
        )
        return [Finding(text, certainty.UNCERTAIN)]
    return [certainty.of_frequencies(sentences.several_frequencies(species, told, most), told)]


def _difference(species: str, rows: Sequence[Row]) -> list[Finding]:
    tested = [row for row in _leading(rows) if known(row["p_holm"])]
    if not tested:
        return []
    surest = min(tested, key=lambda row: (float(row["p_holm"]), float(row["p"])))
    if surest["p_holm"] > LEVEL:
        named = labels.listing(labels.trait_name(row["trait"]) for row in tested)
        text = _(
            "{species}: no difference from the rest of the region was seen in {traits}, which doesn't show that there "
            "is none (smallest {p})."
        ).format(species=species, traits=named, p=labels.probability(surest["p_holm"]))
        return [Finding(text, certainty.UNCERTAIN)]
    sure = certainty.of_difference(
        surest["p_holm"], surest["difference"], surest["difference_low"], surest["difference_high"]
    )
    return [Finding(_apart(species, surest), sure)]


def _apart(species: str, row: Row) -> str:
    return _(
        "{species}: {points} percentage points ({low} to {high}) in the frequency of {trait} from the rest of the "
        "region, {here} here ({basis}) and {rest} elsewhere ({rest_basis}; {p} by Holm's correction over districts)."
    ).format(
        species=species,
        **in_points(row["difference"], row["difference_low"], row["difference_high"]),
        trait=labels.trait_name(row["trait"]),
        here=labels.percent(row["frequency"]),
        basis=sentences.shells_and_sites(row["total"], row["sites"]),
        rest=labels.percent(row["rest_frequency"]),
        rest_basis=sentences.shells_and_sites(row["rest_total"], row["rest_sites"]),
        p=labels.probability(row["p_holm"]),
    )


def found(tables: Tables, species: str, figures: Sequence[ShownFigure], level: str) -> Section:
    """Return a species' frequencies in the district.

    Parameters
    ----------
    tables : mapping
        ``districts`` and ``district_habitats``, of one district.
    species : str
    figures : sequence of ShownFigure
    level : str
        Of the intervals, such as ``"95%"``.
    """
    rows = main_rows(rows_of(tables["districts"], species=species))
    told = [row for row in rows if known(row["frequency"])]
    few = [row for row in rows if not known(row["frequency"])]
    habitats = tables["district_habitats"]
    leading = habitats[habitats["trait"].isin(leading_traits(habitats["trait"])) & habitats["frequency"].notna()]
    return Section(
        f"found-{slug(species)}",
        species,
        points=[Points("", [*map(_compared, told), *_too_few(few)])],
        figures=[figure for figure in figures if figure.name.endswith(slug(species))],
        tables=[*_table(species, told, level), *by_habitat(leading, species, level)],
    )


def _compared(row: Row) -> str:
    here = sentences.frequency(row)
    if not known(row["difference"]):
        return here
    numbers = {
        "here": here.removesuffix("."),
        "rest": labels.percent(row["rest_frequency"]),
        "interval": labels.percent_range(row["rest_low"], row["rest_high"]),
        **in_points(row["difference"], row["difference_low"], row["difference_high"]),
        "p": labels.probability(row["p_holm"]),
    }
    if row["p_holm"] <= LEVEL:
        return _(
            "{here}; elsewhere {rest} ({interval}): {points} percentage points ({low} to {high}; {p} by Holm's "
            "correction)."
        ).format(**numbers)
    return _(
        "{here}; elsewhere {rest} ({interval}): no difference was seen ({points} percentage points, {low} to {high}; "
        "{p} by Holm's correction)."
    ).format(**numbers)


def _too_few(rows: Sequence[Row]) -> list[str]:
    if not rows:
        return []
    parts = [
        _("{trait} {count} of {basis}").format(
            trait=labels.trait_name(row["trait"]),
            count=labels.number(row["count"]),
            basis=sentences.shells_and_sites(row["total"], row["sites"]),
        )
        for row in rows
        if row["total"]
    ]
    without = [labels.trait_name(row["trait"]) for row in rows if not row["total"]]
    told = [_("Too few shells or sites for a frequency: {traits}.").format(traits=clauses(parts))] if parts else []
    if without:
        told.append(_("No shell here is scored for {traits}.").format(traits=labels.listing(without)))
    return told


def _table(species: str, rows: Sequence[Row], level: str) -> list[ShownTable]:
    cells = [
        (
            labels.trait_title(row["trait"]),
            labels.number(row["total"]),
            labels.number(row["sites"]),
            labels.percent_and_limits(row["frequency"], row["low"], row["high"]),
            labels.percent(row["rest_frequency"]) if known(row["rest_frequency"]) else "–",
            f"{points_cell(row['difference'])} ({points_range(row['difference_low'], row['difference_high'])})"
            if known(row["difference"])
            else "–",
            p_cell(row["p"]),
            p_cell(row["p_holm"]),
            number_cell(row["rho"], 3) + ("*" if row["rho_of"] == "region" else ""),
        )
        for row in rows
    ]
    caption = _(
        "{species}: frequencies in the district and at all other sites, with {level} intervals that allow for "
        "differences between sites. An asterisk: the correlation within sites is the region's, since the district has "
        "too few sites for its own."
    ).format(species=species, level=level)
    numbers = (
        _("Shells"), _("Sites"), _("Here"), _("Elsewhere"), _("Points"), "p", _("p, Holm"),
        _("Correlation within sites"),
    )  # fmt: skip
    return [ShownTable(caption, (_("Trait"),), numbers, cells)] if cells else []


def crossing(lines: Sequence[Row], *, fitted: bool) -> Section:
    """Return which clines' centre lines cross the district.

    Parameters
    ----------
    lines : sequence of mappings
        Rows of ``clines.csv`` of the models chosen whose centre line crosses.
    fitted : bool
        Whether any centre line is drawn in the region.
    """
    if not fitted:
        texts = [_("No cline in the region has a centre line that could be drawn.")]
    elif not lines:
        texts = [_("No centre line of a cline passes through the district.")]
    else:
        texts = [_passing(row) for row in lines]
    return Section("clines", _("Clines that cross it"), points=[Points("", texts)])


def _passing(row: Row) -> str:
    if not (known(row["width_low"]) and known(row["width_high"])):
        return _("{species}, {trait}: the centre line passes through; the width isn't known on both sides.").format(
            species=row["species"], trait=labels.trait_name(row["trait"])
        )
    return _(
        "{species}, {trait}: the centre line passes through; over the region the cline is {width} wide ({basis})."
    ).format(
        species=row["species"],
        trait=labels.trait_name(row["trait"]),
        width=labels.distance_and_limits(row["width_m"], row["width_low"], row["width_high"]),
        basis=sentences.shells_and_sites(row["shells"], row["sites"]),
    )


def quality(sites: pd.DataFrame, accepted: pd.DataFrame, flagged: pd.DataFrame, samples: pd.DataFrame) -> Section:
    """Return the quality of the district's rows.

    Parameters
    ----------
    sites, accepted, flagged, samples : DataFrame
        Rows of the public tables of the district's sites, of this survey.
    """
    texts = [
        many("{n} accepted row is of this district.", "{n} accepted rows are of this district.", len(accepted)).format(
            n=labels.number(len(accepted))
        ),
        _("A rejected row has no place that could be relied on, and stands in the report of the region alone."),
    ]
    small = int((~samples["enough"].astype(bool)).sum())
    if len(samples):
        texts.append(
            _("{small} of its {samples} samples are smaller than maps and tests need.").format(
                small=labels.number(small), samples=labels.number(len(samples))
            )
        )
    noted = sites[(sites["habitat"] != "") & (sites["habitat_noted"] != "")]
    if len(noted):
        agree = int((noted["habitat"] == noted["habitat_noted"]).sum())
        texts.append(
            _("Recorders and raster agree on the habitat at {agree} of {noted} sites.").format(
                agree=labels.number(agree), noted=labels.number(len(noted))
            )
        )
    counts = flagged.groupby("flag_code", sort=True).size()
    rows = [(code_in_words(str(code)), labels.number(number)) for code, number in counts.items()]
    table = ShownTable(
        _("Rows of the district flagged, by what someone should look at."), (_("Flag"),), (_("Rows"),), rows
    )
    return Section(
        "data-quality", _("How good the data are"), points=[Points("", texts)], tables=[table] if rows else []
    )


def site_list(sites: pd.DataFrame, samples: pd.DataFrame) -> ShownTable:
    """Return the district's sites with the adult shells of each species, under their public names."""
    species = list(dict.fromkeys(samples["species"]))
    shells = {(row["site"], row["species"]): row["shells"] for row in rows_of(samples)}
    rows = [
        (
            str(row["site"]),
            labels.sentence(labels.habitat_name(row["habitat"])) if row["habitat"] else "–",
            *(labels.number(shells[row["site"], name]) if (row["site"], name) in shells else "–" for name in species),
            labels.number(row["seen_not_counted"]),
        )
        for row in rows_of(sites)
    ]
    caption = _("Sites of the district, with the adult shells that count and the shells that were seen but don't.")
    return ShownTable(caption, (_("Site"), _("Habitat")), (*species, _("Not counted")), rows)


def privacy(sites: pd.DataFrame, larger_square_m: float | None) -> Iterator[str]:
    """Yield what the reader must know of places in the district."""
    hidden = int((sites["blur_m"] > 0).sum())
    if hidden:
        side = labels.distance(float(sites["blur_m"].max()))
        yield many(
            "{n} site is shown at the centre of a square of up to {side}, which may lie outside the district.",
            "{n} sites are shown at the centres of squares of up to {side}, which may lie outside the district.",
            hidden,
        ).format(n=labels.number(hidden), side=side)
    if larger_square_m is not None and known(larger_square_m):
        yield _(
            "The square that hides a site here, {side} on a side, is larger than the district itself: the map tells no "
            "more than that the site is in it."
        ).format(side=labels.distance(larger_square_m))
