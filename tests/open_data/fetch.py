"""Fetch public water data that package registries carry; run by .ci/run, nothing of it is committed.

* The Water Quality Portal result files in the tests of the source distribution of `dataretrieval`.
* The tables `rhone` and `doubs` of Debian's package `r-cran-ade4`.
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

PORTAL_FILES = ("wqp_results.txt", "wqp3_results.txt", "samples_results.txt")


def run(*command: str, folder: Path) -> None:
    """Run a program; its failure ends the script."""
    subprocess.run(command, cwd=folder, check=True)  # noqa: S603 - fixed programs and arguments


def fetch_portal(target: Path, work: Path) -> None:
    """Take the portal's result files out of the source distribution."""
    run(
        sys.executable,
        "-m",
        "pip",
        "download",
        "-q",
        "--no-deps",
        "--no-binary",
        ":all:",
        "dataretrieval",
        folder=work,
    )
    (archive,) = work.glob("dataretrieval-*.tar.gz")
    with tarfile.open(archive) as members:
        for member in members:
            name = Path(member.name).name
            if name in PORTAL_FILES and (stream := members.extractfile(member)) is not None:
                (target / name).write_bytes(stream.read())


def fetch_rivers(target: Path, work: Path) -> None:
    """Take the two river tables out of the Debian package, without installing it."""
    run("apt-get", "update", "-qq", folder=work)
    run("apt-get", "download", "-qq", "r-cran-ade4", folder=work)
    (package,) = work.glob("r-cran-ade4_*.deb")
    run("dpkg-deb", "--extract", package.name, "content", folder=work)
    for name in ("rhone", "doubs"):
        (found,) = (work / "content").rglob(f"{name}.rda")
        (target / found.name).write_bytes(found.read_bytes())


def main() -> None:
    """Fetch everything into the folder named on the command line."""
    target = Path(sys.argv[1])
    target.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as work:
        fetch_portal(target, Path(work))
    with tempfile.TemporaryDirectory() as work:
        Path(work).chmod(0o755)
        fetch_rivers(target, Path(work))


if __name__ == "__main__":
    main()
