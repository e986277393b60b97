"""Whatever lies in a folder and whatever state the store is in: a message for people, and nothing is lost."""

from __future__ import annotations

import errno
import gzip
import json
import os
import resource
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import duckdb
import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.intake import run as take_in
from pipeline.settings import Settings
from pipeline.store.database import Store

if TYPE_CHECKING:
    from collections.abc import Iterator

    from click.testing import Result

HEADINGS = "Sample,Site,pH,Calcium (mg/L),Magnesium (mg/L),Chloride (mg/L)\n"
TWO_ROWS = "A-1,X-1,7.4,62,11,25\nA-2,X-1,7.5,60,12,24\n"
GOOD = (HEADINGS + TWO_ROWS).encode()

# name → bytes, the word for the file in the ledger, entries accepted, entries set aside, a word of the message
FILES: dict[str, tuple[bytes, str, int, int, str]] = {
    "a good.csv": (GOOD, "read", 8, 0, ""),
    "a good, copied.csv": (GOOD, "known", 0, 0, ""),
    "blank.csv": (b" \r\n\r\n  \n", "not understood", 0, 0, "holds no rows"),
    "binary.csv": (bytes(range(256)) * 20, "not understood", 0, 0, "not a text file"),
    "broken.xlsx": (b"PK\x03\x04" + b"x" * 300, "not understood", 0, 0, "damaged or encrypted"),
    "cut off.csv.gz": (
        gzip.compress((HEADINGS + TWO_ROWS * 400).encode(), mtime=0)[:-30],
        "not understood",
        *(0, 0),
        "cut off; copy it again",
    ),
    "damaged.csv.gz": (b"\x1f\x8b" + bytes(50), "not understood", 0, 0, "damaged"),
    "empty.csv": (b"", "not understood", 0, 0, "holds no rows"),
    "empty too.csv": (b"", "not understood", 0, 0, "holds no rows"),
    "half written.csv": ((HEADINGS + "H-1,X-2,7.4,61,10,20\nH-2,X-2,7.").encode(), "read", 4, 1, "cut off"),
    "headings only.csv": (HEADINGS.encode(), "read", 0, 0, "holds no rows"),
    "huge cell.csv": (
        (HEADINGS + f"G-1,X-3,7.4,55,9,21\nG-2,X-3,7.4,{'9' * 3_000_000},10,22\nG-3,X-3,7.4,56,9,23\n").encode(),
        "read",
        *(11, 1),
        "3000000 bytes of text",
    ),
    "filled by the disk.csv": (
        (HEADINGS + "D-1,X-5,7.4,61,10,20\n").encode() + bytes(4096),
        "read",
        4,
        0,
        "4,096 NUL bytes",
    ),
    "half a byte.csv": (
        HEADINGS.encode() + b"E-1,X-5,7.\x004,61,10,20\nE-2,X-5,7.4,61,10,21\n",
        "read",
        *(7, 1),
        "is shown as ␀",
    ),
    "instrument.csv": (
        (HEADINGS + "I-1,X-5,7.4,62,10,20\n").encode("utf-16-le"),
        "read",
        *(4, 0),
        "no byte order mark",
    ),
    "web page.xls": (b"<html><table><tr><td>pH</td></tr></table>", "not understood", 0, 0, "a web page"),
    "letter.docx": (b"PK\x03\x04", "not read", 0, 0, "a .docx file is not read"),
    "damaged.pdf": (b"%PDF-1.7\nnothing", "not understood", 0, 0, "damaged or cut off"),
    "letter.txt": (b"Dear client,\nthe water is fine.\n", "not understood", 0, 0, "no layout fits"),
    "long row.csv": (
        (HEADINGS + "R-1,X-4,7.4,64,11,25\nR-2,X-4,7.4,6,2,11,25,7\n").encode(),
        "read",
        *(4, 4),
        "more cells than the 6 headings",
    ),
    "utf-16.csv": ("Sample,pH,Calcium (mg/L)\nU-1,7.1,33\n".encode("utf-16"), "read", 2, 0, ""),
    "windows.csv": (
        "Probe;Leitfähigkeit (µS/cm);pH;Härte (°dH)\nW-1;500;7,5;12\n".encode("cp1252"),
        "read",
        *(3, 0),
        "is not utf-8",
    ),
}


def intake(*paths: Path | str, out: Path) -> Result:
    """Run the command in this process."""
    return CliRunner().invoke(main, ["intake", *map(str, paths), "--out", str(out)])


def is_message(result: Result) -> bool:
    """Tell whether a run ended with code 2 and one paragraph, not with a traceback."""
    ended = isinstance(result.exception, SystemExit) and result.exit_code == 2
    return bool(ended and is_paragraph(result.stderr) and "Traceback" not in result.output)


def is_paragraph(text: str) -> bool:
    """Tell whether a text is one paragraph of the program's own."""
    paragraph = text.strip()
    return paragraph.startswith("kettlestone: ") and "\n\n" not in paragraph and "Traceback" not in paragraph


def ledger(out: Path) -> dict[str, Any]:
    """Read the summary of the only batch in a folder."""
    (summary,) = out.glob("*/summary.json")
    found = json.loads(summary.read_text(encoding="utf-8"))
    assert isinstance(found, dict)
    return found


def intake_without_privileges(*paths: Path, out: Path, store: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command as a user whom permissions bind: for root, who may do all, without that right."""
    command = [str(Path(sys.executable).with_name("kettlestone")), "intake", *map(str, paths), "--out", str(out)]
    if store is not None:
        command += ["--store", str(store)]
    if os.geteuid() == 0:
        rights = "-dac_override,-dac_read_search"
        command = ["setpriv", "--bounding-set", rights, "--inh-caps", rights, *command]
    return subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603 - own code


@contextmanager
def largest_file(size: int) -> Iterator[None]:
    """Let the system refuse to let any file grow beyond ``size`` bytes, as a full disk would."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.fixture(scope="module")
def mixed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path]:
    """Import a folder that holds every kind of bad file beside good ones."""
    folder, out = tmp_path_factory.mktemp("in"), tmp_path_factory.mktemp("out")
    for name, (content, *_) in FILES.items():
        (folder / name).write_bytes(content)
    os.mkfifo(folder / "pipe.csv")
    (folder / "gone.csv").symlink_to(folder / "nowhere.csv")
    return intake(folder, out=out), out


def test_bad_files_never_stop_the_others(mixed: tuple[Result, Path]) -> None:
    """Every file has its word in the ledger; entries read = accepted + set aside, in each and in all."""
    result, out = mixed
    summary = ledger(out)
    found = {Path(f["name"]).name: (f["status"], f["accepted"], f["set_aside"]) for f in summary["files"]}

    assert result.exit_code == 1
    first, second = sorted(found.pop(name)[0] for name in ("a good.csv", "a good, copied.csv"))
    assert (first, second) == ("known", "read")
    for name, (_, status, accepted, aside, _) in FILES.items():
        if name in found:
            assert found[name] == (status, accepted, aside), name
    assert found["pipe.csv"][0] == found["gone.csv"][0] == "not understood"
    accepted, aside = (sum(row[place] for row in FILES.values()) for place in (2, 3))
    assert summary["entries"] == {"read": accepted + aside, "accepted": accepted, "set_aside": aside}


@pytest.mark.parametrize("name", [name for name, (*_, word) in FILES.items() if word])
def test_each_bad_file_is_named_with_a_message(mixed: tuple[Result, Path], name: str) -> None:
    """The message stands under the name of its own file, is short, and says what to do."""
    summary = ledger(mixed[1])
    told = [row for kind in ("set_aside", "notices") for row in summary[kind] if Path(row["name"]).name == name]

    assert any(FILES[name][4] in row["message"] for row in told)
    assert all(row["remedy"] and len(row["message"]) < 500 for row in told)


def test_what_was_read_is_archived_byte_for_byte(mixed: tuple[Result, Path]) -> None:
    """Also a file nobody understands: with a layout it may be read later."""
    kept = {path.read_bytes() for path in (mixed[1] / "archive").glob("*/*")}

    read = {name: content for name, (content, status, *_) in FILES.items() if content and status != "not read"}
    readable = {content for name, content in read.items() if not name.endswith(".gz")}
    assert readable <= kept


def test_the_same_folder_again_adds_nothing(mixed: tuple[Result, Path], tmp_path: Path) -> None:
    _, out = mixed
    good = tmp_path / "again.csv"
    good.write_bytes(GOOD)
    with Store(out / "kettlestone.duckdb", read_only=True) as store:
        before = store.connection.execute("SELECT count(*) FROM reading").fetchall()

    result = intake(good, out=out)

    assert result.exit_code == 0
    assert "0 entries read" in result.stdout
    with Store(out / "kettlestone.duckdb", read_only=True) as store:
        assert store.connection.execute("SELECT count(*) FROM reading").fetchall() == before


@pytest.mark.parametrize("name", ["empty.csv", "binary.csv", "letter.txt"])
def test_nothing_but_an_unreadable_file_is_cannot(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_bytes(FILES[name][0])

    result = intake(tmp_path / name, out=tmp_path / "out")

    assert result.exit_code == 2
    assert FILES[name][4] in " ".join(result.stdout.split())


def test_a_missing_path_and_an_empty_folder_are_told(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()

    missing = intake(tmp_path / "nowhere.csv", out=tmp_path / "out")
    empty = intake(tmp_path / "folder", out=tmp_path / "out")

    assert is_message(missing)
    assert "no such file or folder" in missing.stderr
    assert is_message(empty)
    assert "holds no file that can be read" in empty.stderr


def test_a_file_that_may_not_be_read_is_told_and_the_others_imported(tmp_path: Path) -> None:
    (tmp_path / "open.csv").write_bytes(GOOD)
    (tmp_path / "closed.csv").write_bytes(GOOD + b"A-3,X-1,7.4,62,11,25\n")
    (tmp_path / "closed.csv").chmod(0)

    result = intake_without_privileges(tmp_path, out=tmp_path / "out")

    assert result.returncode == 1
    assert "this user may not read it" in " ".join(result.stdout.split())
    assert ledger(tmp_path / "out")["entries"]["accepted"] == 8


def test_a_store_that_may_not_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "good.csv").write_bytes(GOOD)
    (tmp_path / "out").mkdir()
    store = tmp_path / "out" / "kettlestone.duckdb"
    with Store(store):
        pass
    store.chmod(0o444)
    before = store.read_bytes()

    result = intake_without_privileges(tmp_path / "good.csv", out=tmp_path / "out")

    assert result.returncode == 2
    assert is_paragraph(result.stderr)
    assert "Give yourself the permission" in result.stderr
    assert store.read_bytes() == before


def test_a_results_folder_that_may_not_be_written_is_told(tmp_path: Path) -> None:
    """Nothing is stored whose summary could not be written."""
    (tmp_path / "good.csv").write_bytes(GOOD)
    (tmp_path / "closed").mkdir(0o555)
    store = tmp_path / "kettlestone.duckdb"

    result = intake_without_privileges(tmp_path / "good.csv", out=tmp_path / "closed", store=store)

    assert result.returncode == 2
    assert is_paragraph(result.stderr)
    assert "the results cannot be written" in result.stderr
    with Store(store, read_only=True) as opened:
        assert opened.connection.execute("SELECT count(*) FROM batch").fetchall() == [(0,)]


@pytest.fixture
def good(tmp_path: Path) -> Path:
    """Give one good file."""
    path = tmp_path / "good.csv"
    path.write_bytes(GOOD)
    return path


def test_a_store_in_use_elsewhere_is_waited_for_and_told(good: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The message names the process that holds the store."""
    out = good.parent / "out"
    with Store(out / "kettlestone.duckdb"):
        pass
    (good.parent / "kettlestone.toml").write_text("lock_wait_s = 0.5\n", encoding="utf-8")
    monkeypatch.chdir(good.parent)
    held = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print('held', flush=True); sys.stdin.read()"
    command = [sys.executable, "-c", held, str(out / "kettlestone.duckdb")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as holder:  # noqa: S603 - own code
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"

        result = intake(good, out=out)

        holder.communicate("")
    assert is_message(result)
    assert f"in use by process {holder.pid}" in result.stderr


def test_a_newer_store_is_left_alone(good: Path) -> None:
    out = good.parent / "out"
    with Store(out / "kettlestone.duckdb") as store:
        store.connection.execute("INSERT INTO schema_version SELECT 999, 'later', 'x', now()::TIMESTAMP")
    before = (out / "kettlestone.duckdb").read_bytes()

    result = intake(good, out=out)

    assert is_message(result)
    assert "version 999" in result.stderr
    assert (out / "kettlestone.duckdb").read_bytes() == before


def test_what_is_no_store_is_left_alone(good: Path) -> None:
    """A text file, somebody else's database, a folder."""
    out = good.parent / "out"
    out.mkdir()
    (out / "text.duckdb").write_bytes(b"my notes, dear to me\n" * 500)
    with duckdb.connect(str(out / "other.duckdb")) as other:
        other.execute("CREATE TABLE mine AS SELECT 42 AS answer")
    (out / "folder.duckdb").mkdir()
    before = {path: path.read_bytes() for path in out.glob("*.duckdb") if path.is_file()}

    for name in ("text.duckdb", "other.duckdb", "folder.duckdb"):
        result = CliRunner().invoke(main, ["intake", str(good), "--out", str(out), "--store", str(out / name)])
        assert is_message(result), name

    assert {path: path.read_bytes() for path in before} == before


@pytest.mark.parametrize("size", [1_000, 200_000, 1_500_000])
def test_a_full_disk_is_told_and_nothing_is_half_there(tmp_path: Path, size: int) -> None:
    """The first size stops the archive, the others the store; with room the same command completes."""
    rows = "".join(f"A-{n},X-1,7.4,{n % 97 + 11},{n % 13 + 5},{n % 31 + 3}\n" for n in range(3_000))
    (tmp_path / "good.csv").write_text(HEADINGS + rows, encoding="utf-8")
    out = tmp_path / "out"
    with Store(out / "kettlestone.duckdb"):
        pass

    with largest_file(size):
        full = intake(tmp_path / "good.csv", out=out)

    assert is_message(full)
    assert "no room left" in full.stderr or "cannot be written" in full.stderr
    assert not list(out.glob("*/summary.json"))
    assert not list(out.rglob(".writing-*"))
    with Store(out / "kettlestone.duckdb", read_only=True) as store:
        assert store.connection.execute("SELECT count(*) FROM batch").fetchall() == [(0,)]
    assert intake(tmp_path / "good.csv", out=out).exit_code in (0, 1)
    assert ledger(out)["entries"] == {"read": 12_000, "accepted": 12_000, "set_aside": 0}


# Imports one file after the other, each in a forked process: one warm process, so that the seconds of
# importing are spent once. A child that is killed is followed by one that takes the same file again.
_NURSERY = """
import os, random, signal, sys, time
from pathlib import Path
from pipeline.intake import run
from pipeline.settings import Settings

folder, kills = Path(sys.argv[1]), int(sys.argv[2])
settings = Settings(out=folder / "out", store=folder / "out" / "kettlestone.duckdb")
files = sorted(folder.glob("*.csv"))

def child(path):
    pid = os.fork()
    if pid == 0:
        try:
            run([path], settings)
        except BaseException as error:
            print(repr(error), file=sys.stderr)
            os._exit(1)
        os._exit(0)
    return pid

started = time.monotonic()
if os.waitpid(child(files[0]), 0)[1]:
    sys.exit("the first import failed")
usual = time.monotonic() - started
chance = random.Random(20260305)
for number in range(kills):
    pid = child(files[1 + number % (len(files) - 1)])
    time.sleep(chance.uniform(0.0, 1.05 * usual))
    os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
for path in files:
    if os.waitpid(child(path), 0)[1]:
        sys.exit(f"{path} could not be imported after the kills")
"""


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_a_kill_at_any_moment_leaves_batches_whole_or_absent(tmp_path: Path) -> None:
    """So many kills at random moments of an import; afterwards every file is imported once and whole."""
    for number in range(3):
        rows = "".join(f"A-{number}-{n},X-1,7.4,{n % 97 + 11},{n % 13 + 5},<0.5\n" for n in range(200))
        (tmp_path / f"{number}.csv").write_text(HEADINGS + rows + f"B-{number},X,abc,1,2,3\n", encoding="utf-8")

    kills = os.environ.get("KETTLESTONE_KILLS", "50")
    subprocess.run([sys.executable, "-c", _NURSERY, str(tmp_path), kills], check=True)  # noqa: S603 - own code

    with Store(tmp_path / "out" / "kettlestone.duckdb", read_only=True) as store:
        books = store.connection.execute(
            "SELECT name[-5:], count(DISTINCT s.batch_id), sum(entries_read), sum(entries_accepted), "
            "sum((SELECT count(*) FROM reading r WHERE r.file_sha256 = s.file_sha256)), "
            "sum((SELECT count(*) FROM set_aside a WHERE a.batch_id = s.batch_id)) "
            "FROM source_file s JOIN batch USING (batch_id) GROUP BY ALL ORDER BY ALL"
        ).fetchall()
        known = {batch for (batch,) in store.connection.execute("SELECT batch_id FROM batch").fetchall()}
    assert books == [(f"{number}.csv", 1, 804, 803, 803, 1) for number in range(3)]
    shown = {path.parent.name for path in (tmp_path / "out").glob("2*/summary.json")}
    assert shown <= known
    proved = CliRunner().invoke(main, ["doctor", "--store", str(tmp_path / "out" / "kettlestone.duckdb")])
    assert proved.exit_code in (0, 1), proved.output


@pytest.mark.slow
def test_ten_writers_at_once_are_all_stored(tmp_path: Path) -> None:
    """Ten files, each by a process of its own, and one file that two of them bring."""
    out = tmp_path / "out"
    (tmp_path / "patient.toml").write_text("lock_wait_s = 300\n", encoding="utf-8")
    command = [str(Path(sys.executable).with_name("kettlestone")), "intake", "--out", str(out)]
    command += ["--settings", str(tmp_path / "patient.toml")]
    for number in range(10):
        (tmp_path / f"{number % 9}.csv").write_text(f"{HEADINGS}W-{number % 9},X-1,7.4,62,11,25\n", encoding="utf-8")
    writers = [
        subprocess.Popen([*command, str(tmp_path / f"{number % 9}.csv")], stdout=subprocess.DEVNULL)  # noqa: S603 - own code
        for number in range(10)
    ]
    codes = [writer.wait() for writer in writers]

    with Store(out / "kettlestone.duckdb", read_only=True) as store:
        assert store.connection.execute("SELECT count(*), count(DISTINCT sample_id) FROM reading").fetchall() == [
            (36, 9)
        ]
    assert set(codes) <= {0, 1, 2}
    proved = CliRunner().invoke(main, ["doctor", "--store", str(out / "kettlestone.duckdb")])
    assert proved.exit_code in (0, 1), proved.output


def test_the_folder_of_a_stored_batch_gets_its_name_though_its_run_was_killed_before(good: Path) -> None:
    """The store has the batch when its folder is complete; only folders of batches it has not are unfinished."""
    out = good.parent / "out"
    intake(good, out=out)
    (batch,) = [path.parent for path in out.glob("*/summary.json")]
    with subprocess.Popen([sys.executable, "-c", ""]) as ended:
        pass
    whole = {path.name: path.read_bytes() for path in batch.iterdir()}
    batch.rename(out / f".writing-{ended.pid}-{batch.name}-x7_a")
    unknown = out / f".writing-{ended.pid}-20260305T140709-ba78-x7_b"
    unknown.mkdir()
    (good.parent / "next.csv").write_bytes(GOOD + b"N-1,X-9,7.1,50,10,20\n")

    intake(good.parent / "next.csv", out=out)

    assert {path.name: path.read_bytes() for path in batch.iterdir()} == whole
    assert not list(out.glob(".writing-*"))


def test_a_stored_batch_whose_folder_cannot_be_named_keeps_it_for_the_next_import(
    good: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk fails at the last step of all, when the store has the batch already."""
    out = good.parent / "out"

    def fails(*_: object) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with monkeypatch.context() as broken:
        broken.setattr(Path, "rename", fails)
        result = CliRunner().invoke(main, ["intake", str(good), "--out", str(out)])
    (left,) = out.glob(".writing-*")
    whole = {path.name: path.read_bytes() for path in left.iterdir()}
    with subprocess.Popen([sys.executable, "-c", ""]) as ended:
        pass
    left.rename(out / left.name.replace(f"-{os.getpid()}-", f"-{ended.pid}-", 1))
    (good.parent / "next.csv").write_bytes(GOOD + b"N-1,X-9,7.1,50,10,20\n")
    intake(good.parent / "next.csv", out=out)

    assert result.exit_code == 2
    assert "the batch is stored, but its folder could not be given its name" in result.stderr
    first, _ = sorted(path.parent for path in out.glob("2*/summary.json"))
    assert {path.name: path.read_bytes() for path in first.iterdir()} == whole


def test_a_later_report_that_names_the_one_it_replaces_counts_from_then_on(tmp_path: Path) -> None:
    """Chloride 30 of report R1, 36 of R2 which supersedes it: both stay, the second counts."""
    head = "Sample,Client,Site,Sampling date,Chloride (mg/L),Sulfate (mg/L),Sodium (mg/L)"
    first, second = tmp_path / "a.csv", tmp_path / "b.csv"
    first.write_text(f"Report,{head}\nR1,L-1,A,Bar,2025-03-01,30,40,20\n", encoding="utf-8")
    second.write_text(f"Report,Supersedes,{head}\nR2,R1,L-1,A,Bar,2025-03-01,36,40,20\n", encoding="utf-8")
    out = tmp_path / "out"

    for path in (first, second):
        take_in([path], Settings(out=out, store=out / "k.duckdb"))

    with Store(out / "k.duckdb", read_only=True) as store:
        counted = store.connection.execute(
            "SELECT value, counts FROM v_reading WHERE analyte = 'chloride' ORDER BY value"
        ).fetchall()
        shown = store.connection.execute("SELECT chloride_mg_l FROM v_sample").fetchall()
    assert counted == [(30.0, False), (36.0, True)]
    assert shown == [(36.0,)]
