"""The command line. Everything heavy is imported inside the commands, so that --help is quick."""

from __future__ import annotations

import gc
import json
import os
import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline import __version__
from pipeline.cli_options import JSON, SETTINGS, STORE
from pipeline.cli_registers import add_registers
from pipeline.errors import KettlestoneError
from schemas.columns import OPEN

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.report.client.answer import Answer

CLEAN, FINDINGS, CANNOT = 0, 1, 2


class _Group(click.Group):
    """A group that turns our own errors into one paragraph and exit code 2."""

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401 - click's own signature
        try:
            return super().invoke(ctx)
        except KettlestoneError as error:
            click.echo(f"kettlestone: {error}", err=True)
            ctx.exit(CANNOT)
        except KeyboardInterrupt:
            click.echo(
                "kettlestone: stopped. A batch is stored whole or not at all; run the command again.",
                err=True,
            )
            ctx.exit(CANNOT)


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="kettlestone")
def main() -> None:
    """Water analyses of coffee equipment: read, prove, keep, and say what the water will do.

    Exit codes: 0 nothing to look at, 1 findings, 2 cannot.
    """
    # Read when numpy is imported. Its other threads would be kept waiting for products too small to be shared out.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@contextmanager
def _importing_much() -> Iterator[None]:
    """Import without the collector of cycles, which would go through all that was imported again and again."""
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()


@main.command()
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), default=None, help="Folder for the results [outputs].")
@STORE
@SETTINGS
@click.option("--layouts", type=click.Path(path_type=Path), default=None, help="Folder with layouts of your own.")
@JSON
def intake(
    paths: tuple[Path, ...],
    out: Path | None,
    store: Path | None,
    settings_file: Path | None,
    layouts: Path | None,
    as_json: bool,
) -> None:
    """Read files and folders, check every record, store all, write outputs/<batch>/.

    \b
    kettlestone intake sample_inputs
    kettlestone intake march/ report.xlsx --out results
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    with _importing_much():
        if os.environ.get("PREFECT_API_URL"):
            from pipeline.flow import run_flow as run  # noqa: PLC0415
        else:
            from pipeline.intake import run  # noqa: PLC0415
        from pipeline.memory import keep_freed  # noqa: PLC0415
        from pipeline.report.terminal.progress import Progress  # noqa: PLC0415
        from pipeline.settings import load  # noqa: PLC0415

    keep_freed()
    settings = load(settings_file, out=out, store=store or (out and out / "kettlestone.duckdb"), layouts=layouts)
    with Progress(enabled=sys.stderr.isatty()) as progress:
        finished = run(paths, settings, progress)
    if as_json:
        click.echo(json.dumps(finished.summary, ensure_ascii=False, default=str))
    else:
        from pipeline.report.terminal.summary import show  # noqa: PLC0415

        show(finished.summary, finished.folder)
    clean = finished.summary["verdict"] == "ok"
    unread = [file["status"] == "not understood" for file in finished.summary["files"]]
    if all(unread):
        raise SystemExit(CANNOT)
    raise SystemExit(CLEAN if clean and not any(unread) else FINDINGS)


@main.command()
@click.argument("check_id", required=False)
@JSON
def checks(check_id: str | None, as_json: bool) -> None:
    """List the checks, or explain one: why it matters, its limits, its source."""
    from pipeline.report.terminal.checks import explain, list_all  # noqa: PLC0415

    click.echo(explain(check_id, as_json=as_json) if check_id else list_all(as_json=as_json))


@main.command()
@click.argument("sample", required=False)
@click.option("--ca", type=float, help="Calcium, mg/L.")
@click.option("--mg", type=float, help="Magnesium, mg/L.")
@click.option("--na", type=float, help="Sodium, mg/L.")
@click.option("--k", type=float, help="Potassium, mg/L.")
@click.option("--hco3", type=float, help="Bicarbonate, mg/L HCO3.")
@click.option("--cl", type=float, help="Chloride, mg/L.")
@click.option("--so4", type=float, help="Sulfate, mg/L.")
@click.option("--no3", type=float, help="Nitrate, mg/L NO3.")
@click.option("--sio2", type=float, help="Silica, mg/L SiO2.")
@click.option("--th", type=float, help="Total hardness, mg/L as CaCO3.")
@click.option("--alk", type=float, help="Total alkalinity, mg/L as CaCO3.")
@click.option("--ec", type=float, help="Conductivity at 25 °C, µS/cm.")
@click.option("--ph", type=float, help="pH.")
@click.option("--temperature", type=float, help="Temperature of the pH reading, °C.")
@click.option("--machine", default="", help="Machine, for example: dual boiler.")
@click.option("--profile", default="", help="One of the published or your own water profiles.")
@click.option("--litres", "litres_per_day", type=float, help="Litres a day.")
@click.option("--machines", type=click.Path(path_type=Path), default=None, help="TOML with machines of your own.")
@click.option("--profiles", type=click.Path(path_type=Path), default=None, help="TOML with profiles of your own.")
@STORE
@SETTINGS
@JSON
def assess(
    sample: str | None,
    machine: str,
    profile: str,
    litres_per_day: float | None,
    machines: Path | None,
    profiles: Path | None,
    store: Path | None,
    settings_file: Path | None,
    as_json: bool,
    **readings: float | None,
) -> None:
    """Say what a water will do: a SAMPLE of the store, or readings typed in.

    \b
    kettlestone assess KD-014 --machine "dual boiler"
    kettlestone assess --ca 80 --mg 12 --hco3 250 --ph 7.4
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    from pipeline.report.terminal.assess import assess_text, one_off  # noqa: PLC0415
    from pipeline.settings import load  # noqa: PLC0415

    if sample is None:
        text = one_off(
            machine=machine,
            profile=profile,
            litres_per_day=litres_per_day,
            machines=machines,
            profiles=profiles,
            as_json=as_json,
            **readings,
        )
    else:
        settings = load(settings_file, store=store)
        text = assess_text(settings, sample, as_json=as_json, machine=machine, machines=machines, profiles=profiles)
    click.echo(text)


_LANGUAGE = click.option("--language", type=click.Choice(["en", "de"]), default="en", help="Of the sentences [en].")


@main.command()
@click.argument("site")
@click.option("--machine", default="", help="Machine in place of the register's, for example: dual boiler.")
@click.option("--profile", default="", help="Water aimed at [European water chart 2016].")
@click.option("--litres", "litres_per_day", type=float, help="Litres a day in place of the register's.")
@_LANGUAGE
@STORE
@SETTINGS
@JSON
def advise(
    site: str,
    machine: str,
    profile: str,
    litres_per_day: float | None,
    language: str,
    store: Path | None,
    settings_file: Path | None,
    as_json: bool,
) -> None:
    """Say what to do about the water of a SITE: a site, "client / site", or the label of a sample.

    \b
    kettlestone advise TF-1
    kettlestone advise "Client / Site" --machine "dual boiler" --litres 60 --json
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    from datetime import UTC, datetime  # noqa: PLC0415

    from pipeline.report.client.answer import Asked, advise_on  # noqa: PLC0415
    from pipeline.settings import load  # noqa: PLC0415

    asked = Asked(machine=machine, profile=profile, litres_per_day=litres_per_day, language=language)
    settings = load(settings_file, store=store)
    _finish(advise_on(settings, site, asked, datetime.now(UTC).date(), as_json=as_json))


@main.command()
@click.argument("site")
@_LANGUAGE
@click.option("--unit", default="", help="Unit of hardness and alkalinity in place of the country's, e.g. °dH.")
@click.option(
    "--out", type=click.Path(path_type=Path), default=None, help="FILE.html or FILE.pdf [outputs/report-….html]."
)
@STORE
@SETTINGS
def report(
    site: str, language: str, unit: str, out: Path | None, store: Path | None, settings_file: Path | None
) -> None:
    """Write the page for the client of a SITE: one sheet to read, print or send.

    \b
    kettlestone report TF-1 --language de
    kettlestone report "Client / Site" --unit mg/L --out page.pdf
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    from datetime import UTC, datetime  # noqa: PLC0415

    from pipeline.report.client.answer import Asked, write_report  # noqa: PLC0415
    from pipeline.settings import load  # noqa: PLC0415

    settings = load(settings_file, store=store)
    asked = Asked(language=language, unit=unit)
    _finish(write_report(settings, site, asked, datetime.now(UTC).date(), out))


@main.command()
@click.argument("site")
@_LANGUAGE
@STORE
@SETTINGS
@JSON
def retest(site: str, language: str, store: Path | None, settings_file: Path | None, as_json: bool) -> None:
    """Say whether the treatment of a SITE does its work: last pair against prediction, history, next test.

    \b
    kettlestone retest TF-1
    kettlestone retest "Client / Site" --json
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    from datetime import UTC, datetime  # noqa: PLC0415

    from pipeline.report.terminal.retest import retest as answer  # noqa: PLC0415
    from pipeline.settings import load  # noqa: PLC0415

    today = datetime.now(UTC).date()
    found = answer(load(settings_file, store=store), site, today, as_json=as_json, language=language)
    click.echo(found.text)
    raise SystemExit(found.exit_code)


def _finish(answer: Answer) -> None:
    """Print an answer, say what went wrong beside it, and leave with its code."""
    click.echo(answer.text)
    if answer.trouble:
        click.echo(f"kettlestone: {answer.trouble}", err=True)
    raise SystemExit(answer.exit_code)


@main.command()
@click.argument("sample")
@STORE
@SETTINGS
@JSON
def explain(sample: str, store: Path | None, settings_file: Path | None, as_json: bool) -> None:
    """Say what most likely happened to a SAMPLE: the single mistake that explains it, with its numbers.

    \b
    kettlestone explain KD-014
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    from datetime import UTC, datetime  # noqa: PLC0415

    from pipeline.report.terminal.explain import show, why  # noqa: PLC0415
    from pipeline.settings import load  # noqa: PLC0415

    answer = why(load(settings_file, store=store), sample, datetime.now(UTC))
    if as_json:
        click.echo(answer.as_json())
    else:
        show(answer)
    raise SystemExit(FINDINGS if answer.something else CLEAN)


@main.command()
@click.argument("sample", required=False)
@click.option("--check", "check_id", default=None, help="Only of this check.")
@click.option("--batch", "batch_id", default=None, help="Only of this batch.")
@click.option("--all", "everything", is_flag=True, help="Notes and settled findings too.")
@STORE
@SETTINGS
@JSON
def findings(
    sample: str | None,
    check_id: str | None,
    batch_id: str | None,
    everything: bool,
    store: Path | None,
    settings_file: Path | None,
    as_json: bool,
) -> None:
    """List the findings that wait for an answer, with their numbers: of all samples, or of SAMPLE.

    \b
    kettlestone findings
    kettlestone findings KD-014 --all
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    from pipeline.report.terminal.findings import as_json as to_json  # noqa: PLC0415
    from pipeline.report.terminal.findings import listed, show  # noqa: PLC0415
    from pipeline.settings import load  # noqa: PLC0415

    found = listed(load(settings_file, store=store), sample, check_id, batch_id, everything=everything)
    if as_json:
        click.echo(to_json(found))
    else:
        show(found)
    raise SystemExit(FINDINGS if found["current_severity"].isin(OPEN).any() else CLEAN)


@main.command()
@click.argument("finding", type=int)
@click.argument("action", type=click.Choice(["accept", "reject", "correct", "repeat"]))
@click.option("--by", required=True, help="Who decides.")
@click.option("--why", required=True, help="Why.")
@click.option("--value", type=float, default=None, help="The right value; only with correct.")
@click.option("--unit", default="", help="Its unit, for example °dH.")
@click.option("--basis", default="", help="What it counts, for example CaCO3.")
@click.option("--analyte", default="", help="Which quantity, where the finding is about several.")
@STORE
@SETTINGS
@JSON
def decide(
    finding: int,
    action: str,
    store: Path | None,
    settings_file: Path | None,
    as_json: bool,
    **answer: Any,  # noqa: ANN401 - the options of an answer, by name
) -> None:
    """Answer a FINDING; the answer is kept with who and why, and nothing that was read is changed.

    \b
    kettlestone decide 17 accept --by "A. Smith" --why "repeated, same count"
    kettlestone decide 18 correct --by "A. Smith" --why "kit reads °f" --value 14 --unit °f
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    from datetime import UTC, datetime  # noqa: PLC0415

    from pipeline.deciding import Answer  # noqa: PLC0415
    from pipeline.deciding import decide as settle  # noqa: PLC0415
    from pipeline.report.terminal.findings import outcome_json, outcome_text  # noqa: PLC0415
    from pipeline.settings import load  # noqa: PLC0415

    outcome = settle(load(settings_file, store=store), Answer(finding, action, **answer), datetime.now(UTC))
    click.echo(outcome_json(outcome) if as_json else outcome_text(outcome))


@main.command()
@click.argument("value", type=float)
@click.argument("unit_from")
@click.argument("unit_to")
@click.option("--of", "analyte", default="hardness", help="The quantity [hardness]: alkalinity, nitrate, ec, …")
def convert(value: float, unit_from: str, unit_to: str, analyte: str) -> None:
    """Convert a value: kettlestone convert 7 °dH mg/L --of hardness."""
    from pipeline.report.terminal.assess import convert_text  # noqa: PLC0415

    click.echo(convert_text(value, unit_from, unit_to, analyte))


@main.group()
def layout() -> None:
    """Layouts say how a kind of file is to be read; they are JSON files."""


@layout.command("propose")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--save", type=click.Path(path_type=Path), default=None, help="Write the proposal to this JSON.")
def layout_propose(file: Path, save: Path | None) -> None:
    """Propose a layout for an unknown file and say how sure each column is."""
    from pipeline.report.terminal.layouts import propose  # noqa: PLC0415

    click.echo(propose(file, save))


@layout.command("check")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--layouts", type=click.Path(path_type=Path), default=None, help="Folder with layouts of your own.")
def layout_check(file: Path, layouts: Path | None) -> None:
    """Show which layout fits a file and what becomes of each column."""
    from pipeline.report.terminal.layouts import check  # noqa: PLC0415

    click.echo(check(file, layouts))


@main.command()
@click.argument("name_or_sql", required=False)
@STORE
@SETTINGS
@JSON
def query(name_or_sql: str | None, store: Path | None, settings_file: Path | None, as_json: bool) -> None:
    """Ask the store: the name of a prepared query, or SQL over the views. Without one, list them."""
    from pipeline.report.terminal.queries import answer, prepared  # noqa: PLC0415
    from pipeline.settings import load  # noqa: PLC0415

    settings = load(settings_file, store=store)
    click.echo(answer(settings, name_or_sql, as_json=as_json) if name_or_sql else prepared())


@main.command()
@click.argument("target", type=click.Path(path_type=Path))
@STORE
@SETTINGS
def snapshot(target: Path, store: Path | None, settings_file: Path | None) -> None:
    """Publish a read-only copy of the store: TARGET.duckdb, or a folder of Parquet files."""
    from pipeline.settings import load  # noqa: PLC0415
    from pipeline.store.database import Store  # noqa: PLC0415
    from pipeline.store.snapshot import snapshot as publish  # noqa: PLC0415

    settings = load(settings_file, store=store)
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as opened:
        click.echo(publish(opened, target))


add_registers(main)

if __name__ == "__main__":
    main()
