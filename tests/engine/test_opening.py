"""An engine that cannot be had is refused in words before anything is read."""

from __future__ import annotations

import socket
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline.cli import main

SAMPLE_INPUTS = Path(__file__).parents[2] / "sample_inputs"


def refused(folder: Path, *options: str) -> str:
    done = CliRunner().invoke(main, ["intake", str(SAMPLE_INPUTS), "--out", str(folder / "out"), *options])
    assert done.exit_code == 2
    assert "Nothing was read and nothing was stored." in done.output
    assert not (folder / "out").exists()
    return " ".join(done.output.split())


def test_the_extra_is_named_where_it_is_not_installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "pipeline.engine.cluster", raising=False)
    monkeypatch.setitem(sys.modules, "distributed", None)

    assert 'pip install "kettlestone[cluster]"' in refused(tmp_path, "--engine", "dask://127.0.0.1:8786")


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("address", ["dask://127.0.0.1", "tcp://127.0.0.1:8786", "dask://127.0.0.1:x", "ray", ""])
def test_what_is_no_address_of_a_cluster_is_told(tmp_path: Path, address: str) -> None:
    assert f'"{address}" is not the address of a cluster' in refused(tmp_path, "--engine", address)


@pytest.mark.filterwarnings("ignore")
def test_an_address_that_nobody_answers_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.engine.cluster._PATIENCE_S", 0.2)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        address = f"dask://127.0.0.1:{probe.getsockname()[1]}"

    assert f"{address}: no scheduler answers there" in refused(tmp_path, "--engine", address)


def test_a_shared_folder_without_an_engine_is_told(tmp_path: Path) -> None:
    assert "none is named" in refused(tmp_path, "--shared", str(tmp_path))
