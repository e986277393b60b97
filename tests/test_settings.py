"""Settings: every value is checked when it is read, and every fault names its key, its line and what was expected."""

from __future__ import annotations

from dataclasses import MISSING, fields
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline.cli import COMMANDS, main
from pipeline.errors import KettlestoneError
from pipeline.settings import NAMES, Settings, load_settings


def _file(folder: Path, text: str) -> Path:
    path = folder / "kettlestone.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('explain_most = "all"', 'explain_most is "all", expected a whole number from 0 up.'),
        ("explain_most = 2.5", "explain_most is 2.5, expected a whole number from 0 up."),
        ("assess_most = true", "assess_most is true, expected a whole number from 0 up."),
        ("max_file_mb = 0", "max_file_mb is 0, expected a whole number from 1 up."),
        ("lock_wait_s = -1", "lock_wait_s is -1, expected a number from 0 up."),
        ("lock_wait_s = inf", "lock_wait_s is inf, expected a number from 0 up."),
        ("sample_window_hours = nan", "sample_window_hours is nan, expected a number from 0 up."),
        ("sample_window_hours = [1]", "sample_window_hours is [1], expected a number from 0 up."),
        ("out = 7", "out is 7, expected a folder"),
        ('store = ""', 'store is "", expected a file'),
        ("layouts = false", "layouts is false, expected a folder"),
        ('time_zone = "Mars/Base"', 'time_zone is "Mars/Base", expected the name of a time zone'),
        ('time_zone = "../etc/passwd"', "expected the name of a time zone"),
        ("time_zone = 2", "time_zone is 2, expected the name of a time zone"),
        ('time_zone = "Europe/Zürich"', 'did you mean "Europe/Zurich"?'),
        ("assess_mots = 3", 'there is no setting "assess_mots"; did you mean "assess_most"?'),
        ("[marks]\ngr = 1", 'there is no setting "marks".'),
    ],
)
def test_a_wrong_value_names_its_key_its_line_and_what_was_expected(tmp_path: Path, line: str, words: str) -> None:
    path = _file(tmp_path, f"# mine\nmax_file_mb = 10\n{line}\n".replace("max_file_mb = 10\nmax", "\nmax"))

    with pytest.raises(KettlestoneError) as caught:
        load_settings(path)

    assert f"{path}:3: " in str(caught.value)
    assert words in str(caught.value)
    assert "Nothing was changed." in str(caught.value)


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    path = _file(tmp_path, 'explain_most = "all"\nnothing = 1\ntime_zone = "Mars/Base"\n')

    with pytest.raises(KettlestoneError) as caught:
        load_settings(path)

    assert [f"{path}:{line}:" in str(caught.value) for line in (1, 2, 3)] == [True] * 3


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"x = = 3", "at line 1, column 5"), (b"out = '\xff'", "it is not UTF-8, byte 8"), (None, "No such file")],
)
def test_a_file_that_cannot_be_read_is_told(tmp_path: Path, content: bytes | None, words: str) -> None:
    path = tmp_path / "k.toml"
    if content is not None:
        path.write_bytes(content)

    with pytest.raises(KettlestoneError, match=words):
        load_settings(path)


def test_good_values_are_taken_in_their_own_types(tmp_path: Path) -> None:
    path = _file(tmp_path, '\ufeffout = "mine"\nlock_wait_s = 5\nexplain_most = 20.0\ntime_zone = "Europe/Zurich"\n')

    settings = load_settings(path, store=tmp_path / "s.duckdb", layouts=None)

    assert settings == Settings(
        out=Path("mine"),
        store=tmp_path / "s.duckdb",
        lock_wait_s=5.0,
        explain_most=20,
        time_zone="Europe/Zurich",
    )
    assert isinstance(settings.lock_wait_s, float)
    assert isinstance(settings.explain_most, int)


def test_every_default_is_one_of_the_values_that_are_accepted() -> None:
    for one in fields(Settings):
        assert one.default is not MISSING
        if one.default is not None:
            written = str(one.default) if isinstance(one.default, Path) else one.default
            assert one.metadata["accepted"].read(written) == one.default


def test_every_setting_is_documented() -> None:
    described = {line.strip().split(" : ")[0] for line in (Settings.__doc__ or "").splitlines()}

    assert set(NAMES) <= described


WORDS = {
    "advise": ["X"],
    "assess": ["--th", "200"],
    "control": [],
    "decide": ["1", "accept", "--by", "A", "--why", "b"],
    "desk": [],
    "picture": ["history"],
    "watch": ["."],
    "convert": ["9", "drops", "mg/L"],
    "doctor": [],
    "due": [],
    "enter": ["X", "--hardness", "9"],
    "explain": ["X"],
    "export": [],
    "field-sheet": ["X"],
    "findings": [],
    "history": [],
    "intake": ["X"],
    "kit": ["list"],
    "layout": ["check", "X"],
    "machine": ["list"],
    "query": [],
    "report": ["X"],
    "retest": ["X"],
    "site": ["show", "X"],
    "snapshot": ["X"],
    "trend": ["--by", "site"],
    "summary": ["X"],
    "treatment": ["set", "X", "--treatment", "none", "--by", "A", "--why", "b"],
}
WITHOUT = {"checks", "restore"}


@pytest.mark.parametrize("name", sorted(set(COMMANDS) - WITHOUT))
def test_every_command_refuses_a_wrong_setting_before_it_does_anything(tmp_path: Path, name: str) -> None:
    path = _file(tmp_path, 'explain_most = "all"\n')
    before = sorted(tmp_path.rglob("*"))

    result = CliRunner().invoke(main, [name, *WORDS[name], "--settings", str(path)])

    assert result.exit_code == 2
    assert result.stderr.startswith(f'kettlestone: {path}:1: explain_most is "all"')
    assert "import" not in result.stderr
    assert sorted(tmp_path.rglob("*")) == before
