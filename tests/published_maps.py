"""Maps with published statistics: values and contiguity, read from tests/reference or from libpysal's examples."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from scipy.sparse import csr_array

from morphcline.stats.neighbours import from_pairs

REFERENCE = Path(__file__).parent / "reference"


def irish_counties() -> tuple[pd.DataFrame, csr_array]:
    """Return Cliff & Ord's 25 Irish counties and their general (directed, unstandardised) weights."""
    counties = pd.read_csv(REFERENCE / "cliff_ord_1969_eire_counties.csv")
    links = pd.read_csv(REFERENCE / "cliff_ord_1969_eire_weights.csv")
    place = {letter: number for number, letter in enumerate(counties["serlet"])}
    weights = from_pairs(links["from"].map(place), links["to"].map(place), links["weight"], sites=len(counties))
    return counties, weights


def columbus_of_anselin() -> tuple[pd.DataFrame, csr_array]:
    """Return Anselin's (1988) 49 neighbourhoods of Columbus and their binary contiguity, 232 links."""
    table = pd.read_csv(REFERENCE / "columbus_anselin1988.csv")
    lists = [[int(number) - 1 for number in text.split()] for text in table["neighbours"]]
    rows = np.repeat(np.arange(len(table)), [len(found) for found in lists])
    return table, from_pairs(rows, np.concatenate(lists), sites=len(table))


def of_libpysal(name: str) -> tuple[pd.DataFrame, csr_array]:
    """Return the attributes and the binary contiguity of an example map in libpysal (``columbus``, ``sids2``)."""
    import libpysal
    from libpysal.examples import get_path

    attributes = libpysal.io.open(get_path(f"{name}.dbf"))
    table = pd.DataFrame({column: attributes.by_col(column) for column in attributes.header})
    contiguity = libpysal.io.open(get_path(f"{name}.gal")).read()
    place = {label: number for number, label in enumerate(contiguity.id_order)}
    key = {"columbus": "POLYID", "sids2": "FIPS"}[name]
    assert [str(label) for label in table[key]] == list(place), "the map's rows and the contiguity's disagree"
    rows = [place[label] for label, found in contiguity.neighbors.items() for _ in found]
    columns = [place[other] for found in contiguity.neighbors.values() for other in found]
    return table, from_pairs(rows, columns, sites=len(table))


def lattice(side: int) -> csr_array:
    """Return binary contiguity over edges of a square lattice, row by row."""
    cells = np.arange(side * side).reshape(side, side)
    across = np.column_stack([cells[:, :-1].ravel(), cells[:, 1:].ravel()])
    down = np.column_stack([cells[:-1].ravel(), cells[1:].ravel()])
    one_way = np.vstack([across, down])
    both = np.vstack([one_way, one_way[:, ::-1]])
    return from_pairs(both[:, 0], both[:, 1], sites=side * side)
