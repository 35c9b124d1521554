"""Makes the packaged folder with PyInstaller: `scripts/package` calls this in an environment made from the lock.

    python scripts/package_folder.py              # dist/lastbar-VERSION-SYSTEM
    python scripts/package_folder.py --archive    # and the same as one file, to be handed on

What is left out: tests and build tools of libraries, tables of GDAL and PROJ for kinds of files that are not read,
symbols for debuggers, and what is under a licence that a folder for everybody may not have in it.
"""

from __future__ import annotations

import json
import os
import platform
import shutil
import subprocess
import sys
import sysconfig
import tomllib
from collections.abc import Iterator
from importlib.metadata import Distribution, distributions
from pathlib import Path

from PyInstaller.__main__ import run as pyinstaller

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from packer.common.own_process import OWN_PROGRAMS

PACKAGES = Path(sysconfig.get_paths()["purelib"])

HIDDEN = (
    "pyogrio._geometry",  # imported by compiled code, where nothing can be read of it
    "xstatic.pkg.leaflet",
    *OWN_PROGRAMS,
)
EXCLUDED = (
    "readline",  # GPL-3.0, and of no use here
    "curses",
    "tkinter",
    "setuptools",
    "pkg_resources",
    "pip",
    "pydoc",
    "lib2to3",
    "numpy.f2py",
    "pyogrio.tests",
    "PIL.AvifImagePlugin",  # no tile is AVIF
    "PIL.ImageTk",
    "PIL.ImageQt",
)
# GDAL looks for header.dxf to know its folder; the rest is for kinds of files that are not read. Of PROJ, its database.
DATA = (
    "pyogrio/gdal_data/header.dxf",
    "pyogrio/gdal_data/LICENSE.TXT",
    "pyogrio/proj_data/proj.db",
    "pyogrio/proj_data/proj.ini",
    "xstatic/pkg/leaflet/data/*",
    "xstatic/pkg/leaflet/data/images/*",
)
# The texts of the brief's schema stand below its keys, in the source.
SOURCES = ("planning/brief*.py",)
# Built here or whole: the libraries in wheels had names put into them, which strip may damage.
STRIPPED = ("libpython*.so*", "python3*/lib-dynload/*.so", "uvloop/*.so")
NOT_INSIDE = ("altgraph", "macholib", "pefile", "pip", "pyinstaller-hooks-contrib", "setuptools")
_NOTICES = ("licen", "copying", "copyright", "notice", "authors")


def _data() -> Iterator[tuple[Path, str]]:
    """Each file of data with the folder that it goes into: the program's own as pyproject.toml lists it."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    for pattern in (*project["tool"]["setuptools"]["package-data"]["packer"], *SOURCES):
        for path in sorted((ROOT / "packer").glob(pattern)):
            yield path, path.parent.relative_to(ROOT).as_posix()
    for pattern in DATA:
        found = sorted(path for path in PACKAGES.glob(pattern) if path.is_file())
        if not found:
            sys.exit(
                f"{pattern} is not in {PACKAGES}: a library has changed. See DATA in scripts/package_folder.py."
            )
        for path in found:
            yield path, path.parent.relative_to(PACKAGES).as_posix()


def _built(name: str, work: Path, into: Path) -> Path:
    """Have PyInstaller make the folder."""
    work.mkdir(parents=True, exist_ok=True)
    begin = work / "lastbar.py"
    shutil.copy(ROOT / "packer" / "__main__.py", begin)
    arguments = [
        "--noconfirm",
        "--clean",
        "--onedir",
        "--console",
        "--name",
        "lastbar",
        "--log-level",
        "WARN",
    ]
    arguments += [
        "--paths",
        str(ROOT),
        "--specpath",
        str(work),
        "--workpath",
        str(work),
        "--distpath",
        str(work / "dist"),
    ]
    for module in HIDDEN:
        arguments += ["--hidden-import", module]
    for module in EXCLUDED:
        arguments += ["--exclude-module", module]
    for path, folder in _data():
        arguments += ["--add-data", f"{path}{os.pathsep}{folder}"]
    pyinstaller([*arguments, str(begin)])
    target = into / name
    shutil.rmtree(target, ignore_errors=True)
    into.mkdir(exist_ok=True)
    shutil.move(work / "dist" / "lastbar", target)
    return target


def _strip(folder: Path) -> None:
    if sys.platform != "linux" or shutil.which("strip") is None:
        return
    for pattern in STRIPPED:
        for path in (folder / "_internal").glob(pattern):
            if not path.is_symlink():
                subprocess.run(["strip", "--strip-unneeded", str(path)], check=True)


# ------------------------------------------------------------------------------------ licences


def _licences(folder: Path) -> str:
    """The licences of all that is in the folder, in one text."""
    parts = [
        "The licences of what is in this folder. Lastbar itself comes first, then Python, then each package that it "
        "uses, then the libraries of the system that were put beside them.\n",
        _part("Lastbar", [ROOT / "LICENSE"]),
        _part(f"Python {platform.python_version()}", _of_python()),
    ]
    for package in sorted(distributions(path=[str(PACKAGES)]), key=lambda one: one.name.lower()):
        if package.name.lower() not in NOT_INSIDE:
            parts.append(_of_package(package))
    gdal, proj = PACKAGES / "pyogrio/gdal_data/LICENSE.TXT", PACKAGES / "pyogrio/proj_data/copyright"
    parts += [_part("GDAL, in pyogrio, and what is built into it", [gdal]), _part("PROJ, in pyogrio", [proj])]
    parts += _of_system(folder)
    return "\n".join(parts)


def _of_python() -> list[Path]:
    places = (Path(sysconfig.get_paths()["stdlib"]), Path(sys.base_prefix))
    found = [place / "LICENSE.txt" for place in places if (place / "LICENSE.txt").is_file()]
    if not found:
        sys.exit(f"The licence of Python is in none of {', '.join(map(str, places))}.")
    return found[:1]


def _of_package(package: Distribution) -> str:
    told = package.metadata
    licence = told.get("License-Expression") or (told.get("License") or "").partition("\n")[0] or "see below"
    texts = [
        Path(str(package.locate_file(path)))
        for path in package.files or ()
        if ".dist-info" in str(path) and path.name.lower().startswith(_NOTICES)
    ]
    inside = [
        line
        for path in package.files or ()
        if path.suffix == ".json"
        for line in _components(package, str(path))
    ]
    return _part(f"{package.name} {package.version}: {licence}", sorted(texts), inside)


def _components(package: Distribution, path: str) -> Iterator[str]:
    """What a wheel says is built into it (CycloneDX)."""
    if "/sboms/" not in path:
        return
    bill = json.loads(Path(str(package.locate_file(path))).read_text(encoding="utf-8"))
    for one in bill.get("components", []):
        named = [
            str(
                entry.get("expression")
                or entry.get("license", {}).get("id")
                or entry.get("license", {}).get("name")
            )
            for entry in one.get("licenses", [])
        ]
        yield f"{one['name']} {one.get('version', '')}: {', '.join(named) or 'not stated'}"


def _of_system(folder: Path) -> Iterator[str]:
    """Libraries that were taken from this machine and are of no package: each by the notice of its system's package."""
    inside = {path.name for path in PACKAGES.rglob("*.so*")} | {
        path.name for path in PACKAGES.rglob("*.dylib")
    }
    seen: set[str] = set()
    for path in sorted((folder / "_internal").glob("lib*.so*")):
        if path.is_symlink() or path.name in inside or path.name.startswith("libpython"):
            continue
        owner = _debian_package(path.name)
        notice = Path(f"/usr/share/doc/{owner}/copyright")
        if owner is None or not notice.is_file():
            yield _part(f"{path.name}, from the system on which this folder was made", [])
        elif owner not in seen:
            seen.add(owner)
            yield _part(f"{path.name}, from the Debian package {owner}", [notice])


def _debian_package(library: str) -> str | None:
    if shutil.which("dpkg") is None:
        return None
    done = subprocess.run(["dpkg", "-S", f"*/{library}*"], capture_output=True, text=True, check=False)
    return done.stdout.partition(":")[0] or None


def _part(title: str, texts: list[Path], lines: list[str] | None = None) -> str:
    body = [path.read_text(encoding="utf-8", errors="replace").strip() for path in texts]
    if lines:
        body.append("Built into it, by its own list:\n" + "\n".join(lines))
    return f"{'=' * 78}\n{title}\n{'=' * 78}\n\n" + "\n\n".join(body) + "\n"


# ------------------------------------------------------------------------------------ the folder

_READ_ME = """Lastbar {version}, with everything that it needs: nothing has to be installed.

To begin: {begin}
In a terminal: {terminal}

The folder may lie anywhere, and be moved as a whole. What you make with it lies
elsewhere: the desk begins a first trip in the folder Lastbar of your home folder.

{system}

LICENCES.txt has the licences of all that is in here.
"""
_BEGIN = {
    "win32": "open lastbar.exe. A window comes up, and the desk in your browser.",
    "darwin": 'open "Open the desk.command". A window comes up, and the desk in your browser.',
}
_SYSTEM = {
    "win32": "Windows may warn of a program that it does not know: More info, Run anyway.\n"
    "To end it, close the window. This folder was made as its recipe says; it is untried.",
    "darwin": "macOS may refuse a program that it does not know: open it by right-click, Open.\n"
    "To end it, close the window. This folder was made as its recipe says; it is untried.",
}
_DESK_SCRIPT = """#!/bin/sh
# Opens the desk on the trip that was there last.
exec "$(dirname "$0")/lastbar" desk --recent
"""


def _finished(folder: Path, version: str) -> None:
    """The files beside the program. If the process dies: make the folder again."""
    here = sys.platform
    terminal = r".\lastbar.exe plan trip" if here == "win32" else "./lastbar plan trip"
    text = _READ_ME.format(
        version=version,
        begin=_BEGIN.get(here, "run open-the-desk. The desk comes up in your browser."),
        terminal=terminal,
        system=_SYSTEM.get(
            here,
            "It needs a Linux as new as the one that it was made on: glibc "
            f"{platform.libc_ver()[1]} or newer.",
        ),
    )
    (folder / "READ ME.txt").write_text(text, encoding="utf-8", newline="\r\n" if here == "win32" else "\n")
    (folder / "LICENCES.txt").write_text(_licences(folder), encoding="utf-8")
    if here != "win32":
        script = folder / ("Open the desk.command" if here == "darwin" else "open-the-desk")
        script.write_text(_DESK_SCRIPT, encoding="utf-8")
        script.chmod(0o755)


def _size(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file() and not path.is_symlink())


def main(arguments: list[str]) -> int:
    """Make the folder; gives back the exit code. If the process dies: run it again, which begins anew."""
    text = (ROOT / "packer" / "version.py").read_text(encoding="utf-8")
    version = text.partition('__version__ = "')[2].partition('"')[0]
    system = {"darwin": "macos", "win32": "windows"}.get(sys.platform, sys.platform)
    name = f"lastbar-{version}-{system}-{platform.machine().lower()}"
    folder = _built(name, ROOT / "build" / "package", ROOT / "dist")
    _strip(folder)
    _finished(folder, version)
    print(f"{folder.relative_to(ROOT)}: {_size(folder) / 1e6:.0f} MB")
    if "--archive" in arguments:
        kind = "zip" if sys.platform == "win32" else "gztar"
        packed = Path(shutil.make_archive(str(folder), kind, folder.parent, name))
        print(f"{packed.relative_to(ROOT)}: {packed.stat().st_size / 1e6:.0f} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
