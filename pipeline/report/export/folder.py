"""A folder of exported files, whole or not there."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.report.batch.tables import write_csv
from pipeline.report.export.workbook import write_workbook
from pipeline.report.export.wqx import WQX_TITLES, wqx_results
from pipeline.report.wording import counted
from pipeline.store.database import Store
from pipeline.store.exported import EXPORTED, ExportScope, described, export_parquet, exported

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.settings import Settings

EXPORT_FORMATS: Final = ("csv", "parquet", "wqx", "xlsx")
_PROFILE: Final = "https://datapackage.org/profiles/2.0/tableschema.json"
_MARK: Final = "kettlestone-export.json"


def export(settings: Settings, scope: ExportScope, form: str, target: Path) -> str:
    """Write the data that are asked for into a folder, and say what is there.

    An earlier export in that folder is replaced; any other folder is left alone.

    Raises
    ------
    KettlestoneError : nothing fits, the folder holds something else or cannot be written.
    """
    _refuse_other(target)
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        samples = exported(store, "samples", scope)
        if samples.empty:
            asked = {
                name: getattr(scope, name) for name in ("client", "site", "region", "since") if getattr(scope, name)
            }
            words = " ".join(f"--{name} {value}" for name, value in asked.items())
            raise KettlestoneError(
                f"no sample fits {words or 'this'}.\n  {UNCHANGED}\n  Ask for more, or import files."
            )
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryDirectory(prefix=".kettlestone-", dir=target.parent) as folder:
                fresh = Path(folder) / "fresh"
                fresh.mkdir()
                rows = _write(store, scope, form, fresh, samples)
                (fresh / _MARK).write_text(json.dumps({"format": form, "rows": rows}, indent=1), "utf-8")
                if target.exists():
                    shutil.move(target, Path(folder) / "earlier")
                fresh.rename(target)
        except OSError as error:
            raise KettlestoneError(
                f"{target} cannot be written: {error.strerror or error}.\n  {UNCHANGED}\n"
                "  Name another folder with --out."
            ) from error
    told = ", ".join(counted(count, name.removesuffix("s")) for name, count in rows.items())
    return f"{target}: {told}"


def _refuse_other(target: Path) -> None:
    if target.exists() and not (target.is_dir() and ((target / _MARK).exists() or not any(target.iterdir()))):
        raise KettlestoneError(
            f"{target} is there already and holds something else than an export.\n  {UNCHANGED}\n"
            "  Name another folder with --out."
        )


def _write(store: Store, scope: ExportScope, form: str, folder: Path, samples: pd.DataFrame) -> dict[str, int]:
    """Write the files of one format; rows by table."""
    if form == "wqx":
        results = wqx_results(exported(store, "readings", scope), samples)
        write_csv(results, folder / "results.csv")
        fields = [{"name": name, "type": "integer" if name == "qartod_flag" else "string", "title": title}
                  for name, title in WQX_TITLES.items()]  # fmt: skip
        _schema(folder / "results.schema.json", "results", fields)
        return {"results": len(results)}
    tables = {"samples": samples} | {name: exported(store, name, scope) for name in EXPORTED if name != "samples"}
    for name in tables:
        _schema(folder / f"{name}.schema.json", name, described(store, name))
        if form == "parquet":
            export_parquet(store, name, scope, folder / name)
        elif form == "csv":
            write_csv(_zoned(tables[name]), folder / f"{name}.csv")
    if form == "xlsx":
        write_workbook(tables, folder / "kettlestone.xlsx")
    return {name: len(frame) for name, frame in tables.items()}


def _zoned(frame: pd.DataFrame) -> pd.DataFrame:
    """Write times whole and with their zone, midnight as well: they are UTC."""
    times = frame.select_dtypes("datetime").columns
    return frame.assign(**{name: frame[name].dt.strftime("%Y-%m-%dT%H:%M:%SZ") for name in times})


def _schema(path: Path, name: str, fields: list[dict[str, str]]) -> None:
    """Write a Table Schema beside its file."""
    path.write_text(
        json.dumps({"$schema": _PROFILE, "name": name, "fields": fields}, indent=1, ensure_ascii=False), "utf-8"
    )
