"""The ``morphcline`` command: arguments, exit codes, and the one place where errors become printed lines."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from morphcline import __version__
from morphcline.errors import MorphclineError, StudyError
from morphcline.stages import NAMES

if TYPE_CHECKING:
    from morphcline.runner import Listener

_STAGE = click.Choice(NAMES)
_STUDY = click.argument("study_file", metavar="STUDY.toml", type=click.Path(path_type=Path))
_DEBUG = click.option("--debug", is_flag=True, expose_value=False, help="Show the traceback of an error.")
INTERRUPTED = 130
#: Places that are printed; the rest are in the table.
_SHOWN_PLACES = 10


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="morphcline")
def cli() -> None:
    """Turn a banded-snail survey into maps of morph clines.

    Start with `morphcline new DIR`; then `morphcline check` and `morphcline run` the study file it makes.
    """


@cli.command("run")
@_STUDY
@click.option("--from", "first", type=_STAGE, help="Start at this stage.")
@click.option("--to", "last", type=_STAGE, help="Stop after this stage.")
@click.option("--only", type=_STAGE, help="This stage alone.")
@click.option("--force", is_flag=True, help="Run even what is up to date.")
@click.option("-n", "--dry-run", is_flag=True, help="Say what would run and why; write nothing.")
@click.option("--out", type=click.Path(path_type=Path), help="Output folder.  [default: outputs/<name>]")
@click.option(
    "-j",
    "--workers",
    type=click.IntRange(min=0),
    default=0,
    help="Processes.  [default: one a core]",
)
@click.option("--scheduler", metavar="ADDRESS", help="A running Dask scheduler, such as tcp://host:8786.")
@click.option("-q", "--quiet", is_flag=True, help="Only warnings and errors.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON on stdout.")
@_DEBUG
def run_command(
    study_file: Path,
    first: str | None,
    last: str | None,
    only: str | None,
    force: bool,
    dry_run: bool,
    out: Path | None,
    workers: int,
    scheduler: str | None,
    quiet: bool,
    as_json: bool,
) -> None:
    """Run the stages of a study that are out of date."""
    if only and (first or last):
        raise click.UsageError("--only goes without --from and --to")
    if first and last and NAMES.index(first) > NAMES.index(last):
        raise click.UsageError(f"--from {first} comes after --to {last}")
    from morphcline import runner
    from morphcline.study import load_study
    from morphcline.workers import Workers

    study = load_study(study_file)
    stages = runner.select(first=first, last=last, only=only)
    if dry_run:
        dues = runner.plan(study, runner.output_folder(study, out), stages, force=force)
        _print_plan(dues, as_json=as_json)
        return
    team = Workers(workers or os.cpu_count() or 1, scheduler)
    listener = _listener(quiet=quiet)
    result = runner.run(study, out=out, stages=stages, force=force, workers=team, listener=listener)
    for sentence in result.warnings:
        _say_aloud("warning", sentence)
    if as_json:
        click.echo(
            json.dumps(
                {
                    "folder": str(result.folder),
                    "ran": result.ran,
                    "up_to_date": result.skipped,
                    "accounts": result.accounts,
                },
                ensure_ascii=False,
                default=str,
            )
        )
    elif not quiet:
        _print_result(result)


@cli.command("check")
@_STUDY
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON on stdout.")
@_DEBUG
def check_command(study_file: Path, as_json: bool) -> None:
    """Read everything, write nothing, and print every problem found."""
    from morphcline import checking

    result = checking.check(study_file)
    found = result.assessment
    if as_json:
        click.echo(
            json.dumps(
                {
                    "problems": [vars(problem) for problem in result.problems],
                    "account": found.account if found else None,
                    "warnings": result.warnings,
                },
                ensure_ascii=False,
                default=str,
            )
        )
    else:
        if found is not None:
            for row in found.rejected.itertuples():
                click.echo(_clean(f"{row.source}, row {row.row}: rejected ({row.reason_code}): {row.reason}"))
            for row in found.flagged.itertuples():
                click.echo(_clean(f"{row.source}, row {row.row}: flagged ({row.flag_code}): {row.flag}"))
            for sentence in (*found.account.get("warnings", []), *result.warnings):
                _say_aloud("warning", sentence)
            click.echo(_row_account(found.account))
        for problem in result.problems:
            _say_aloud("error", str(problem))
        if not result.problems:
            click.echo("Nothing stops a run.")
    if result.problems:
        raise SystemExit(1)


@cli.command("plan", short_help="Say where to look next, and how many shells are needed.")
@_STUDY
@click.option("--out", type=click.Path(path_type=Path), help="The run's output folder.  [default: outputs/<name>]")
@click.option("-q", "--quiet", is_flag=True, help="Only warnings and errors.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON on stdout.")
@_DEBUG
def plan_command(study_file: Path, out: Path | None, quiet: bool, as_json: bool) -> None:
    """Say where to look next, and how many shells settle a question, from the results of a run."""
    from morphcline import planner
    from morphcline.study import load_study

    result = planner.make_plan(load_study(study_file), out=out)
    for sentence in result.warnings:
        _say_aloud("warning", sentence)
    if as_json:
        rows = json.loads(result.places.to_json(orient="records"))
        sizes = json.loads(result.sizes.to_json(orient="records"))
        told = {"folder": str(result.folder), "places": rows, "sample_sizes": sizes, "warnings": result.warnings}
        click.echo(json.dumps(told, ensure_ascii=False))
    elif not quiet:
        _print_places(result)


@cli.command("export", short_help="Hand on the public results in open standards.")
@_STUDY
@click.option("--to", "to", required=True, metavar="FOLDER", type=click.Path(path_type=Path), help="Where to write.")
@click.option("--out", type=click.Path(path_type=Path), help="The run's output folder.  [default: outputs/<name>]")
@click.option("-q", "--quiet", is_flag=True, help="Only warnings and errors.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON on stdout.")
@_DEBUG
def export_command(study_file: Path, to: Path, out: Path | None, quiet: bool, as_json: bool) -> None:
    """Hand on records and tables in open standards, as the study publishes them: Darwin Core, data package, crate."""
    from morphcline import exporter
    from morphcline.study import load_study

    result = exporter.export(load_study(study_file), to, out=out)
    for sentence in result.warnings:
        _say_aloud("warning", sentence)
    if as_json:
        told = {
            "folder": str(result.folder),
            "surveys": [vars(one) for one in result.surveys],
            "tables": result.tables,
            "warnings": result.warnings,
        }
        click.echo(json.dumps(told, ensure_ascii=False))
    elif not quiet:
        _print_export(result)


@cli.command("notes", short_help="Write a note to each contributor.")
@_STUDY
@click.option("--recorder", "recorders", multiple=True, metavar="NAME", help="Only this recorder; may be repeated.")
@click.option("--record", metavar="FILE:ROW", help="Only the sample that this row belongs to.")
@click.option("--out", type=click.Path(path_type=Path), help="The run's output folder.  [default: outputs/<name>]")
@click.option("-q", "--quiet", is_flag=True, help="Only warnings and errors.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON on stdout.")
@_DEBUG
def notes_command(
    study_file: Path, recorders: tuple[str, ...], record: str | None, out: Path | None, quiet: bool, as_json: bool
) -> None:
    """Write a note to each contributor, from the results of a run: what was found, how it compares, what is next."""
    from morphcline import noting
    from morphcline.study import load_study

    if recorders and record is not None:
        raise click.UsageError("give --recorder or --record, not both")
    result = noting.make_notes(load_study(study_file), out=out, recorders=recorders, record=record)
    if as_json:
        rows = json.loads(result.index.to_json(orient="records"))
        click.echo(json.dumps({"folder": str(result.folder), "notes": rows}, ensure_ascii=False))
    elif not quiet:
        click.echo(f"{len(result.index):,} notes are in {_near(result.folder)}, each for its addressee alone.")
        if not recorders and record is None:
            click.echo("  index.csv   names, addresses, subjects and files, for a mailing")
        if result.nameless:
            click.echo(f"{result.nameless:,} rows name no recorder: nobody is written to about them.")


@cli.command("catalogue", short_help="Write all texts for translation into a language.")
@click.option("--language", "language", required=True, metavar="CODE", help="Such as de or pt_BR.")
@click.option("--to", "to", required=True, metavar="FILE.po", type=click.Path(path_type=Path), help="Where to write.")
@_DEBUG
def catalogue_command(language: str, to: Path) -> None:
    """Write every text of figures, page and report for translation; a catalogue that is there keeps what it has."""
    from morphcline.catalogue import write_catalogue

    done = write_catalogue(language, to)
    click.echo(f"wrote {done.path}: {done.messages:,} messages, {done.translated:,} of them translated")
    if done.dropped:
        click.echo(f"{done.dropped:,} that are no longer said stay in it as comments")
    click.echo(f'In the study file: [publish] language = "{language}", catalogue = "{done.path.name}"')


@cli.command("new", short_help="Make a study file and a record sheet to start from.")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@_DEBUG
def new_command(folder: Path) -> None:
    """Make a commented study file and an empty record sheet to start from."""
    from morphcline.study.template import write_new_study

    for path in write_new_study(folder):
        click.echo(f"wrote {path}")
    study_file = str(folder / "study.toml")
    quoted = f'"{study_file}"' if " " in study_file else study_file
    click.echo(f"Fill in the record sheet, then: morphcline check {quoted}")


def main() -> NoReturn:
    """Run the command; exit with 0, 1 (study or data), 2 (command line) or 130 (interrupted)."""
    debug = "--debug" in sys.argv
    _accept_any_text()
    try:
        cli.main(standalone_mode=False)
    except click.exceptions.Abort:
        _interrupted()
    except KeyboardInterrupt:
        _interrupted()
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except StudyError as error:
        if debug:
            raise
        for problem in error.problems:
            _say_aloud("error", str(problem))
        sys.exit(1)
    except (MorphclineError, OSError, MemoryError) as error:
        if debug:
            raise
        _say_aloud("error", _one_line(error))
        sys.exit(1)
    sys.exit(0)


def _interrupted() -> NoReturn:
    _say_aloud("stopped", "interrupted; what was finished is kept")
    sys.exit(INTERRUPTED)


def _one_line(error: BaseException) -> str:
    if isinstance(error, MemoryError):
        return "not enough memory; try fewer --workers or larger cells"
    if isinstance(error, OSError) and error.strerror:
        said = f"{error.filename or ''}: {error.strerror}".removeprefix(": ")
        return f"{said}; check that the folder exists and that you may write there"
    return str(error)


def _accept_any_text() -> None:
    """Let names in any script be printed on a console that can't show them."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


def _clean(text: str) -> str:
    """Keep control characters in a record from steering the terminal."""
    return "".join(char if char.isprintable() else repr(char)[1:-1] for char in text)


def _say_aloud(kind: str, sentence: str) -> None:
    colour = {"error": "red", "warning": "yellow", "stopped": "red"}[kind]
    prefix = f"{kind}:" if "NO_COLOR" in os.environ else click.style(f"{kind}:", fg=colour)
    click.echo(f"{prefix} {_clean(sentence)}", err=True)


def _print_plan(dues: list[Any], *, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps([{"stage": due.stage, "due": bool(due.reason), "why": due.reason} for due in dues]))
        return
    for due in dues:
        click.echo(f"{due.stage:16}" + (_clean(f"would run: {due.reason}") if due.reason else "up to date"))


def _print_result(result: Any) -> None:
    if not result.ran:
        click.echo(f"Nothing to do: every stage is up to date in {_near(result.folder)}.")
        return
    if "intake" in result.accounts:
        click.echo(_row_account(result.accounts["intake"]))
    click.echo(f"Results are in {_near(result.folder)}")
    for name, what in (
        ("report.html", "the report: start here"),
        ("map.html", "the map, works with the network off"),
        ("figures", "figures, with their data and captions"),
        ("tables", "tables; their columns are in tables/README.md"),
        ("surfaces", "smoothed surfaces for a GIS"),
        ("records", "rows accepted, flagged and rejected, with reasons"),
    ):
        if (result.folder / name).exists():
            click.echo(f"  {name:12} {what}")


def _print_places(result: Any) -> None:
    click.echo("rank  latitude  longitude   gain  nearest site  most for")
    for row in result.places.head(_SHOWN_PLACES).itertuples():
        click.echo(
            f"{row.rank:4d}  {row.lat:8.4f}  {row.lon:9.4f}  {100 * row.reduction:4.1f}%  "
            f"{row.nearest_site_m / 1000:9.1f} km  {_clean(row.most_for)}"
        )
    if len(result.places) > _SHOWN_PLACES:
        click.echo(f"and {len(result.places) - _SHOWN_PLACES} more")
    click.echo(f"Ask the owner before you go. The plan is in {_near(result.folder)}")
    for name, what in (
        ("plan.html", "places, map and samples needed: start here"),
        ("places.csv", "the places; places.gpkg for a GIS"),
        ("sample_sizes.csv", "shells and sites that show a difference"),
    ):
        click.echo(f"  {name:18} {what}")


def _print_export(result: Any) -> None:
    for one in result.surveys:
        whose = f"earlier survey {one.survey}" if one.survey else "survey"
        click.echo(
            _clean(
                f"{whose}: {one.shells:,} shells in {one.occurrences:,} occurrences, {one.events:,} sites and visits; "
                f"{one.shells_counted:,} of them are counted"
            )
        )
    click.echo(f"The export is in {_near(result.folder)}")
    for one in result.surveys:
        click.echo(f"  {one.archive:26} Darwin Core archive, to hand on")
    for name, what in (
        ("datapackage.json", f"{len(result.tables)} tables and the archives' own, column by column"),
        ("ro-crate-metadata.json", "what made these files, from what"),
        ("README.md", "what is in the folder: start here"),
    ):
        click.echo(f"  {name:26} {what}")


def _row_account(account: dict[str, Any]) -> str:
    text = f"{account['rows']:,} rows = {account['accepted']:,} accepted + {account['rejected']:,} rejected"
    flagged = sum(account.get("flagged_by_code", {}).values())
    return f"{text}; {flagged:,} flags to look at." if flagged else f"{text}."


def _near(path: Path) -> str:
    try:
        return os.path.relpath(path)
    except ValueError:  # another drive on Windows
        return str(path)


def _listener(*, quiet: bool) -> Listener:
    from morphcline import progress

    return progress.listener(quiet=quiet)


if __name__ == "__main__":
    main()
