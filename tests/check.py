"""The one check: format, lint, types, imports, tests and documents.

    python tests/check.py            everything
    python tests/check.py --quick    no browser or slow tests, about two minutes: before each commit

Prints which part failed and ends with 1.  A program that some tests need and this machine lacks
leaves those tests out and says so; with CI=true it is a failure.
"""

import argparse
import os
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SCRIPTS = Path(sysconfig.get_path("scripts"))
FOLDERS = ("tracker", "web", "tests", "demo_frames")

# Marker of the tests that need a program, and the names under which it is found.
# By full path where a package of ours installs a program of the same name.
PROGRAMS = {
    "browser": ("chromium", "chromium-browser"),
    "dcmtk": ("/usr/bin/storescu",),
    "dicom3tools": ("dciodvfy",),
}


def main() -> int:
    parser = argparse.ArgumentParser(description="Run every check of this repository.")
    parser.add_argument("--quick", action="store_true", help="leave out slow and browser tests")
    quick: bool = parser.parse_args().quick

    folders = [name for name in FOLDERS if (ROOT / name).is_dir()]
    parts: dict[str, list[str | Path]] = {
        "format": [SCRIPTS / "ruff", "format", "--check", "--quiet", *folders],
        "lint": [SCRIPTS / "ruff", "check", "--quiet", *folders],
        "types": [SCRIPTS / "mypy", "--no-error-summary"],
        "imports": [SCRIPTS / "lint-imports", "--no-logo"],
    }
    failed = [name for name, command in parts.items() if not passed(name, command)]

    left_out = {"browser", "slow"} if quick else set[str]()
    for marker, names in PROGRAMS.items():
        if marker not in left_out and not any(shutil.which(name) for name in names):
            print(f"check: {names[0]} is not on this machine: {marker} tests are left out")
            left_out.add(marker)
            if os.environ.get("CI") == "true":
                failed.append(f"program {names[0]}")
    select = ["-m", " and ".join(f"not {marker}" for marker in sorted(left_out))]
    # Last, so that the whole output ends with pytest's own summary line.
    if not passed("tests", [sys.executable, "-m", "pytest", *(select if left_out else [])]):
        failed.append("tests")
    if failed:
        print(f"check: failed: {', '.join(failed)}", file=sys.stderr, flush=True)
    return 1 if failed else 0


def passed(name: str, command: list[str | Path]) -> bool:
    print(f"check: {name}", flush=True)
    return subprocess.run(command, cwd=ROOT, check=False).returncode == 0


if __name__ == "__main__":
    sys.exit(main())
