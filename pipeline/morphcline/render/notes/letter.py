"""A note to one contributor, put into words; page and plain text are made from the same parts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import pandas as pd

from morphcline.language import _, many
from morphcline.records.note_facts import Comparison, Found
from morphcline.render import labels
from morphcline.render.notes.chart import Bar, Chart
from morphcline.render.report.phrases import in_points
from morphcline.render.report.row_fates import code_in_words
from morphcline.scoring import cautions

#: Traits told in sentences; the rest stand in the table.
TOLD = ("yellow", "unbanded", "mid-banded")
#: Beyond so many samples only those that stand out are told one by one.
SAMPLES_TOLD = 3
#: Rows named one by one.
ROWS_TOLD = 12


@dataclass(frozen=True)
class Table:
    """Heads and rows of ready texts; the first ``words`` columns hold words, the others numbers."""

    caption: str
    heads: Sequence[str]
    rows: Sequence[Sequence[str]]
    words: int = 1


@dataclass(frozen=True)
class Part:
    """A headed part of a note."""

    heading: str
    paragraphs: Sequence[str] = ()
    points: Sequence[str] = ()
    charts: Sequence[Chart] = ()
    tables: Sequence[Table] = ()


@dataclass(frozen=True)
class Letter:
    """A whole note: what stands above its parts, and the parts."""

    title: str
    subject: str
    opening: Sequence[str]
    parts: Sequence[Part]
    closing: Sequence[str]


@dataclass(frozen=True)
class Facts:
    """What a note rests on.

    Parameters
    ----------
    survey : str
        Title of the survey.
    name : str
    accepted : DataFrame
        The contributor's accepted rows; ``counted`` rows are those compared.
    shells, sites : int
        That count, and where.
    species : sequence of str
    comparisons : sequence of Comparison
    compositions : mapping
        By species, the bars of its charts.
    rows : DataFrame
        ``source, row, code, kind`` of rows to look at; ``kind`` is ``"flagged"`` or ``"rejected"``.
    blur_m : float
    names : str
        ``"hidden"``, ``"coded"`` or ``"shown"``.
    contact, holder : str
    confidence : float
    among : mapping
        Denominators by trait.
    """

    survey: str
    name: str
    accepted: pd.DataFrame
    shells: int
    sites: int
    species: Sequence[str]
    comparisons: Sequence[Comparison]
    compositions: Mapping[str, Sequence[tuple[str, Sequence[Bar]]]]
    rows: pd.DataFrame
    blur_m: float
    names: str
    contact: str
    holder: str
    confidence: float
    among: labels.Denominators = field(default_factory=dict)


def write_letter(facts: Facts) -> Letter:
    """Return the note to one contributor in the language in force."""
    parts = [*(_of_species(facts, name) for name in facts.species), _unusual(facts), _rows(facts), _next(facts)]
    return Letter(
        title=_("What you found: {survey}").format(survey=facts.survey),
        subject=_("{survey}: your records").format(survey=facts.survey),
        opening=_opening(facts),
        parts=[part for part in parts if part is not None],
        closing=[
            _("Thank you again: the maps are made of records like yours."),
            *([facts.holder] if facts.holder else []),
        ],
    )


def _opening(facts: Facts) -> list[str]:
    when = labels.period(facts.accepted["year"].astype(float)) if len(facts.accepted) else ""
    told = [_("For {name}").format(name=facts.name)]
    if facts.accepted.empty:
        told.append(
            _("Thank you for your records. None of them could be used yet; why, and how to mend them, is said below.")
        )
        return told
    given = {"shells": labels.counted(facts.shells, "shell"), "sites": labels.counted(facts.sites, "site")}
    if when:
        told.append(_("Thank you for {shells} from {sites}, {when}.").format(when=when, **given))
    else:
        told.append(_("Thank you for {shells} from {sites}.").format(**given))
    beside = int(facts.accepted["count"].sum()) - facts.shells
    if beside > 0:
        told.append(
            many(
                "{n} more shell was noted but enters no frequency: young, worn or bleached shells and species that "
                "are not analysed are kept, not counted.",
                "{n} more shells were noted but enter no frequency: young, worn or bleached shells and species that "
                "are not analysed are kept, not counted.",
                beside,
            ).format(n=labels.number(beside))
        )
    return told


def _of_species(facts: Facts, species: str) -> Part | None:
    rows = [row for row in facts.comparisons if row.species == species]
    if not rows:
        return None
    charts = [Chart(title, bars) for title, bars in facts.compositions.get(species, ())]
    sites = list(dict.fromkeys(row.site for row in rows))
    points = []
    if len(sites) <= SAMPLES_TOLD:
        points = [_compared(row, facts) for row in rows if row.trait in TOLD]
    return Part(species, points=points, charts=charts, tables=[_table(rows, facts, species)])


def _compared(row: Comparison, facts: Facts) -> str:
    own = _("{site}, {trait}: {count} of {shells}, {found}").format(
        site=row.site,
        trait=labels.trait_in_text(row.trait, facts.among),
        count=labels.number(row.own.count),
        shells=labels.counted(int(row.own.total), "shell"),
        found=_with_limits(row.own),
    )
    told = [own]
    if row.near is not None:
        told.append(
            many(
                "at the nearest site of others, about {distance} away, {found} ({shells})",
                "at the {n} nearest sites of others, within about {distance}, {found} ({shells})",
                row.near.sites,
            ).format(
                n=row.near.sites,
                distance=about(row.near_within_m, facts.blur_m),
                found=_with_limits(row.near),
                shells=labels.counted(int(row.near.total), "shell"),
            )
        )
    if row.region is not None:
        told.append(
            _("in the whole survey {found} ({sites})").format(
                found=_with_limits(row.region), sites=labels.counted(row.region.sites, "site")
            )
        )
    sentence = labels.clauses(told) + "."
    return f"{sentence} {_verdict(row)}" if row.near is not None else sentence


def _verdict(row: Comparison) -> str:
    if not row.unusual:
        return _("Chance and the usual differences between sites can explain how far that is from the neighbours.")
    return _(
        "That is {points} percentage points from the neighbours ({low} to {high}), further than chance and the usual "
        "differences between sites explain."
    ).format(**in_points(row.difference, row.low, row.high))


def _with_limits(found: Found) -> str:
    return labels.percent_and_limits(found.frequency, found.low, found.high)


def about(metres: float, blur_m: float) -> str:
    """Return a distance no finer than the squares that hide its end: in whole kilometres, or whole squares."""
    step = max(blur_m, 1000.0)
    return labels.distance(max(step, step * math.ceil(metres / step)))


def _table(rows: Sequence[Comparison], facts: Facts, species: str) -> Table:
    sites = list(dict.fromkeys(row.site for row in rows))
    shown = [row for row in rows if row.trait in TOLD] if len(sites) > SAMPLES_TOLD else list(rows)
    cells = [
        (
            row.site,
            labels.trait_title(row.trait),
            _("{count} of {total}").format(count=labels.number(row.own.count), total=labels.number(row.own.total)),
            _with_limits(row.own),
            "–" if row.near is None else _with_limits(row.near),
            "–" if row.region is None else _with_limits(row.region),
        )
        for row in shown
    ]
    caption = _(
        "{species}: your samples beside the nearest sites of others and the whole survey; frequencies with {level} "
        "intervals, which for neighbours and survey allow for differences between sites. {among}"
    ).format(
        species=species,
        level=labels.level(facts.confidence),
        among=labels.denominators_in_text(list(dict.fromkeys(row.trait for row in shown)), facts.among),
    )
    heads = (_("Site"), _("Trait"), _("Shells"), _("You"), _("Nearest sites"), _("Whole survey"))
    return Table(caption, heads, cells, words=2)


def _unusual(facts: Facts) -> Part:
    made = [row for row in facts.comparisons if row.near is not None]
    heading = _("What was unusual")
    if not made:
        nothing = _("Your samples were not compared with others' sites: they are small, or no such site is near.")
        return Part(heading, [nothing])
    odd = [row for row in made if row.unusual]
    share = labels.level(round(1 - facts.confidence, 6))
    number = many(
        "{n} comparison with the neighbours was made.", "{n} comparisons with the neighbours were made.", len(made)
    ).format(n=labels.number(len(made)))
    chance = _("About {share} of such comparisons come out as unusual by chance alone.").format(share=share)
    if not odd:
        quiet = _("Nothing in your samples stands out from the nearest sites by more than chance explains.")
        return Part(heading, [f"{quiet} {number}"])
    points = [
        _("{site}, {species}, {trait}: {points} percentage points from the neighbours ({low} to {high})").format(
            site=row.site, species=row.species, trait=labels.trait_name(row.trait),
            **in_points(row.difference, row.low, row.high),
        )
        for row in sorted(odd, key=lambda row: -abs(row.difference))[:ROWS_TOLD]
    ]  # fmt: skip
    worth = _("Unusual is not wrong: it is where a second visit tells most.")
    return Part(heading, [f"{number} {chance} {worth}"], points)


def _rows(facts: Facts) -> Part | None:
    if facts.rows.empty:
        return None
    rejected, flagged = (facts.rows[facts.rows["kind"] == kind] for kind in ("rejected", "flagged"))
    paragraphs = []
    if len(rejected):
        paragraphs.append(
            many(
                "{n} row could not be used. Nothing is lost: send it again, mended, and it counts in the next run.",
                "{n} rows could not be used. Nothing is lost: send them again, mended, and they count in the next run.",
                len(rejected),
            ).format(n=labels.number(len(rejected)))
        )
    if len(flagged):
        paragraphs.append(
            many(
                "{n} row was flagged for a second look. It counts all the same; tell us if something is wrong.",
                "{n} rows were flagged for a second look. They count all the same; tell us if something is wrong.",
                len(flagged),
            ).format(n=labels.number(len(flagged)))
        )
    return Part(_("Rows to look at"), paragraphs, list(_named_rows(rejected, flagged)))


def _named_rows(*kinds: pd.DataFrame) -> Iterable[str]:
    listed = pd.concat(kinds, ignore_index=True)
    for (code, source), rows in listed.groupby(["code", "source"], sort=False):
        numbers = [str(row) for row in rows["row"].tolist()]
        shown = ", ".join(numbers[:ROWS_TOLD])
        if len(numbers) > ROWS_TOLD:
            shown = _("{rows} and {n} more").format(rows=shown, n=len(numbers) - ROWS_TOLD)
        yield many("{what}: row {rows} of {file}", "{what}: rows {rows} of {file}", len(numbers)).format(
            what=code_in_words(str(code)), rows=shown, file=source
        )


def _next(facts: Facts) -> Part:
    told = [_("Your records are part of the maps, tables and report of {survey}.").format(survey=facts.survey)]
    if facts.blur_m > 0:
        square = labels.distance(facts.blur_m)
        told.append(
            _("The public sees each place only as a square of {square}, and less of sensitive ones.").format(
                square=square
            )
        )
    told.append(
        {
            "hidden": _("Your name is not published."),
            "coded": _("Your name is not published; a code stands for it."),
            "shown": _("Your name is published with your records; say so if you would rather it weren't."),
        }[facts.names]
    )
    told.append(_("Come back to the same place in some years, if you can: change is seen only where someone returns."))
    if facts.contact:
        told.append(_("Questions and corrections: {contact}").format(contact=facts.contact))
    return Part(
        _("What happens next"),
        [" ".join(told)],
        [
            *(_(text) for text in cautions.FIELDWORK),
            _("What is in this note is for you: it tells where you found snails."),
        ],
    )
