"""Nothing is fetched, followed or run because a file says so."""

from __future__ import annotations

import ast
import threading
import zipfile
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import openpyxl
import pytest
import rasterio
from rasterio.errors import RasterioIOError

import morphcline
from morphcline.errors import SourceError
from morphcline.files.rasters import examine
from morphcline.files.sheets import read_sheet
from morphcline.files.vectors import read_shapes
from morphcline.study import RecordSource, Sheet


class Server(HTTPServer):
    """Counts what it is asked for."""

    asked: list[str]


class _Handler(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        self.server.asked.append(self.path)  # type: ignore[attr-defined]
        self.send_error(404)

    do_HEAD = do_GET  # noqa: N815

    def log_message(self, *_: Any) -> None:
        pass


@pytest.fixture
def server() -> Iterator[Server]:
    listening = Server(("127.0.0.1", 0), _Handler)
    listening.asked = []
    thread = threading.Thread(target=listening.serve_forever, daemon=True)
    thread.start()
    yield listening
    listening.shutdown()
    listening.server_close()


def _pointer_raster(url: str) -> str:
    return (
        '<VRTDataset rasterXSize="3" rasterYSize="3"><SRS>EPSG:2154</SRS><GeoTransform>0,1,0,0,0,-1</GeoTransform>'
        '<VRTRasterBand dataType="Byte" band="1"><SimpleSource><SourceFilename relativeToVRT="0">/vsicurl/'
        f"{url}/a.tif</SourceFilename><SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
    )


def _pointer_tiles(url: str) -> str:
    return (
        f'<GDAL_WMS><Service name="WMS"><ServerUrl>{url}/wms?</ServerUrl><Layers>a</Layers></Service><DataWindow>'
        "<UpperLeftX>0</UpperLeftX><UpperLeftY>9</UpperLeftY><LowerRightX>9</LowerRightX><LowerRightY>0</LowerRightY>"
        "<SizeX>9</SizeX><SizeY>9</SizeY></DataWindow><Projection>EPSG:2154</Projection></GDAL_WMS>"
    )


def _pointer_shapes(url: str) -> str:
    source = f"<SrcDataSource>/vsicurl/{url}/a.geojson</SrcDataSource>"
    return f'<OGRVRTDataSource><OGRVRTLayer name="a">{source}</OGRVRTLayer></OGRVRTDataSource>'


def _typed(url: str) -> bytes:
    return f'<!DOCTYPE a SYSTEM "{url}/a.dtd" [<!ENTITY b SYSTEM "{url}/b">]>'.encode()


def _workbook(path: Path, url: str) -> None:
    plain = path.with_name("plain.xlsx")
    openpyxl.Workbook().save(plain)
    with zipfile.ZipFile(plain) as source, zipfile.ZipFile(path, "w") as target:
        for name in source.namelist():
            data = source.read(name)
            target.writestr(name, _typed(url) + data if name.endswith("sheet1.xml") else data)


def _archive(path: Path, url: str) -> None:
    with zipfile.ZipFile(path, "w") as target:
        target.writestr("meta.xml", _typed(url) + b"<archive>&b;</archive>")


CASES: dict[str, tuple[Callable[[Path, str], Any], Callable[[Path], Any]]] = {
    "list.tif": (lambda path, url: path.write_text(_pointer_raster(url)), examine),
    "list.vrt": (lambda path, url: path.write_text(_pointer_raster(url)), examine),
    "tiles.tif": (lambda path, url: path.write_text(_pointer_tiles(url)), examine),
    "shapes.gpkg": (
        lambda path, url: path.write_text(_pointer_shapes(url)),
        lambda path: read_shapes(path, "EPSG:2154"),
    ),
    "shapes.vrt": (
        lambda path, url: path.write_text(_pointer_shapes(url)),
        lambda path: read_shapes(path, "EPSG:2154"),
    ),
    "rows.gpkg": (
        lambda path, url: path.write_text(_pointer_shapes(url)),
        lambda path: read_sheet(Sheet(path=path), path.name),
    ),
    "rows.xlsx": (_workbook, lambda path: read_sheet(Sheet(path=path), path.name)),
    "rows.zip": (_archive, lambda path: read_sheet(RecordSource(path=path, layout="darwin-core"), path.name)),
}


@pytest.mark.parametrize("name", CASES)
def test_no_file_makes_a_reader_ask_a_server(tmp_path: Path, server: Server, name: str) -> None:
    write, read = CASES[name]
    path = tmp_path / name
    write(path, f"http://127.0.0.1:{server.server_port}")
    with pytest.raises(SourceError, match=name):
        read(path)
    assert server.asked == []


def test_the_server_would_have_been_asked(tmp_path: Path, server: Server) -> None:
    path = tmp_path / "list.tif"
    path.write_text(_pointer_raster(f"http://127.0.0.1:{server.server_port}"))
    with pytest.raises(RasterioIOError, match=r"."), rasterio.open(path) as raster:
        raster.read(1)
    assert server.asked


def test_a_link_out_of_an_archive_is_not_followed(tmp_path: Path) -> None:
    secret = tmp_path / "secret.csv"
    secret.write_text("id,scientificName\n1,Cepaea nemoralis\n", encoding="utf-8")
    folder = tmp_path / "archive"
    folder.mkdir()
    (folder / "meta.xml").write_text(
        '<archive><core rowType="Occurrence"><files><location>o.csv</location></files><id index="0"/></core></archive>'
    )
    try:
        (folder / "o.csv").symlink_to(secret)
    except OSError:
        pytest.skip("links can't be made here")
    with pytest.raises(SourceError, match=r"its file 'o\.csv' is not in the archive"):
        read_sheet(RecordSource(path=folder, layout="darwin-core"), "archive")


_BY_NAME = ("eval", "exec", "urllib.request", "http.client", "socket")


def test_nothing_in_the_package_unpickles_or_runs_what_a_file_holds() -> None:
    forbidden = {
        "pickle",
        "cPickle",
        "dill",
        "cloudpickle",
        "marshal",
        "shelve",
        "requests",
        "ftplib",
        "telnetlib",
    }
    home = Path(morphcline.__file__).parent
    found = []
    for path in sorted(home.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            elif isinstance(node, ast.Call):
                names = [node.func.id] if isinstance(node.func, ast.Name) and node.func.id in ("eval", "exec") else []
                names += ["pickle"] if any(word.arg == "allow_pickle" for word in node.keywords) else []
            found += [f"{path.name}: {name}" for name in names if name.split(".")[0] in forbidden or name in _BY_NAME]
    assert found == []
