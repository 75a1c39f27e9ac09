"""Who sent what: each recorder's rows of the present survey, accepted, flagged and rejected."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from morphcline.records.privacy import by_name
from morphcline.records.site_ids import E_MAIL


@dataclass(frozen=True)
class Contributor:
    """A recorder and the rows that bear the name.

    Attributes
    ----------
    name : str
        As written most often, without an e-mail address.
    e_mail : str
        The address that stands with the name, if one does.
    accepted, flagged, rejected : DataFrame
        Of the private tables; rejected rows are known by what stands in the recorder's column.
    """

    name: str
    e_mail: str
    accepted: pd.DataFrame
    flagged: pd.DataFrame
    rejected: pd.DataFrame


def contributors(
    accepted: pd.DataFrame, flagged: pd.DataFrame, rejected: pd.DataFrame, headers: Iterable[str]
) -> list[Contributor]:
    """Return the recorders of the present survey, in the order of their names.

    Parameters
    ----------
    accepted, flagged, rejected : DataFrame
        The private tables.
    headers : iterable of str
        Heads of the columns in which the files name a recorder.

    Notes
    -----
    Capitals, spaces and an e-mail address beside it make no other person of a name. Rows without a recorder are
    nobody's; those rejected in earlier surveys' files are told apart by nothing but a name, and count too.
    """
    own, looked_at = (table[table["survey"] == ""] for table in (accepted, flagged))
    keys = {"accepted": own["recorder"].map(key_of), "flagged": looked_at["recorder"].map(key_of)}
    wanted = tuple(headers)
    written = rejected["row_as_it_came"].map(lambda text: _recorder_in(text, wanted)).astype(str)
    keys["rejected"] = written.map(key_of)
    texts = pd.concat([own["recorder"].astype(str), written], ignore_index=True)
    key_of_text = pd.concat([keys["accepted"], keys["rejected"]], ignore_index=True)
    spellings = dict(iter(texts.groupby(key_of_text)))
    found = []
    for key in sorted({*keys["accepted"], *keys["rejected"]} - {""}):
        spelt = spellings[key]
        address = E_MAIL.search(" ".join(spelt))
        found.append(
            Contributor(
                by_name(str(spelt.value_counts(sort=True).index[0])),
                address.group() if address else "",
                own[keys["accepted"] == key],
                looked_at[keys["flagged"] == key],
                rejected[keys["rejected"] == key],
            )
        )
    return found


def key_of(recorder: object) -> str:
    """Return what tells a person from others, however capitals, spaces and an e-mail address stand in the name."""
    return " ".join(by_name(str(recorder)).casefold().split())


def _recorder_in(row_as_it_came: str, headers: tuple[str, ...]) -> str:
    cells = json.loads(row_as_it_came) if row_as_it_came else {}
    return next((str(cells[name]) for name in headers if str(cells.get(name) or "").strip()), "")
