"""Tries the packaged folder, moved to another place, with an empty environment and no Python to be found: each command
that a planner uses. `scripts/check-package` calls this.

    .venv/bin/python -m scripts.check_package dist/lastbar-0.1.0-linux-x86_64
"""

from __future__ import annotations

import contextlib
import hashlib
import http.cookiejar
import io
import json
import re
import shutil
import signal
import ssl
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from PIL import Image

from packer.common.own_process import OWN_PROCESS
from packer.content.jpeg_checks import FINDING, LENGTH, READY
from tests.tile_server import png

ROOT = Path(__file__).resolve().parent.parent
LONGEST_S = 600
TLS = ROOT / "tests" / "tls"

_BRIEF = """
title = "Packaged"
overview = false
[layers.a]
url = "{url}/{{z}}/{{x}}/{{y}}.png"
attribution = "Test Survey (invented)"
permission = "Own server"
zooms = [0, 18]
requests-per-second = 1000
[[areas]]
name = "way"
line = "route.gpx"
half-width = "100 m"
deepest = 16
[[areas]]
name = "sectors"
polygon = "REL.zip"
deepest = 18
"""


class Packaged:
    """The folder under trial, with a home and a place to work in."""

    def __init__(self, program: Path, work: Path) -> None:
        self.program, self.work = program, work
        self.home = work / "home"
        self.home.mkdir()
        self.beside = ""

    def command(self, *words: object, **environment: str) -> tuple[list[str], dict[str, str]]:
        """What to start, and the whole of its environment."""
        return [str(self.program), *map(str, words)], {"HOME": str(self.home), **environment}

    def run(self, *words: object, code: int = 0, given: bytes = b"", **environment: str) -> str:
        """What a command says, after it has ended with the code that it should."""
        command, env = self.command(*words, **environment)
        began = time.monotonic()
        done = subprocess.run(
            command, env=env, cwd=self.work, input=given, capture_output=True, timeout=LONGEST_S, check=False
        )
        if done.returncode != code:
            sys.stderr.buffer.write(done.stdout + done.stderr)
            sys.exit(f"lastbar {' '.join(command[1:])} ended with {done.returncode}, not {code}.")
        print(f"  {time.monotonic() - began:6.1f} s  lastbar {' '.join(command[1:3])}", flush=True)
        self.beside = done.stderr.decode("utf-8")
        return done.stdout.decode("utf-8")

    @contextlib.contextmanager
    def serving(self, *words: object, **environment: str) -> Iterator[str]:
        """The address that a command serves on, until the end of the block ends it by Ctrl-C. Its streams are files, as
        those of a program that a file manager starts."""
        command, env = self.command(*words, **environment)
        said = self.work / "said.txt"
        with said.open("wb") as into:
            process = subprocess.Popen(
                command,
                env=env,
                cwd=self.work,
                stdin=subprocess.DEVNULL,
                stdout=into,
                stderr=into,
                start_new_session=True,
            )
        ends = time.monotonic() + LONGEST_S
        while not (found := re.search(r"http://\S+", said.read_text("utf-8"))):
            if process.poll() is not None or time.monotonic() > ends:
                process.kill()
                sys.exit(f"lastbar {' '.join(command[1:])} serves nothing: {said.read_text('utf-8')}")
            time.sleep(0.05)
        try:
            yield found[0]
        finally:
            process.send_signal(signal.SIGINT if words else signal.SIGTERM)
            code = process.wait(LONGEST_S)
        expect(code == 0, f"lastbar {' '.join(command[1:])} ended with {code}: {said.read_text('utf-8')}")
        print(f"  served    lastbar {' '.join(command[1:3])}", flush=True)


def expect(holds: bool, said: str) -> None:
    """Fail with what was said where it does not hold."""
    if not holds:
        sys.exit(said)


def browser() -> urllib.request.OpenerDirector:
    """One that keeps cookies and uses no proxy."""
    jar = urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar())
    return urllib.request.build_opener(jar, urllib.request.ProxyHandler({}))


def page(opener: urllib.request.OpenerDirector, url: str) -> bytes:
    """The body of an address; fails where it is refused."""
    with opener.open(url, timeout=60) as answer:
        body: bytes = answer.read()
    return body


# ------------------------------------------------------------------------------------ the server


class _Tiles(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def do_GET(self) -> None:
        found = self.path.endswith(".png")
        body = png(self.path, 256) if found else b""
        self.send_response(200 if found else 404)
        self.send_header("Content-Type", "image/png")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@contextlib.contextmanager
def secure_server() -> Iterator[str]:
    """Tiles over https, by a certificate of an authority that nobody else knows."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(TLS / "server.pem", TLS / "server_key.pem")
    with ThreadingHTTPServer(("127.0.0.1", 0), _Tiles) as server:
        server.socket = context.wrap_socket(server.socket, server_side=True)
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"https://localhost:{server.server_address[1]}"
        server.shutdown()


# ------------------------------------------------------------------------------------ the trials


def starts(it: Packaged) -> None:
    """Help without arguments in a pipe, the version, and the median time of seven starts."""
    it.run(code=2)
    expect("Usage: lastbar" in it.beside, "It gives no help.")
    command, env = it.command("--version")
    times = []
    for _ in range(7):
        began = time.monotonic()
        subprocess.run(command, env=env, check=True, capture_output=True)
        times.append(time.monotonic() - began)
    print(f"  start-up, median of 7: {sorted(times)[3]:.2f} s")


def plans(it: Packaged) -> None:
    """A plan from GPX and a zipped Shapefile, the same as Python makes."""
    shutil.copy(ROOT / "fixtures" / "tracks" / "route.gpx", it.work)
    shutil.copy(ROOT / "fixtures" / "shapefile" / "REL.zip", it.work)
    (it.work / "brief.toml").write_text(_BRIEF.format(url="https://localhost"), encoding="utf-8")
    planned = it.run("plan", "brief.toml", "--list")
    command = [sys.executable, "-m", "packer", "plan", str(it.work / "brief.toml"), "--list"]
    other = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    expect(planned == other and planned.count("\n") > 50, "It plans otherwise than Python does.")


def fetches(it: Packaged) -> None:
    """A fetch over https from a server whose authority only SSL_CERT_FILE names; refused without it."""
    with secure_server() as url:
        (it.work / "brief.toml").write_text(_BRIEF.format(url=url), encoding="utf-8")
        it.run("fetch", "brief.toml", "--give-up-after", "2s", code=1)
        for transport in ("pyreqwest", "httpx"):
            shutil.rmtree(it.work / "packs", ignore_errors=True)
            told = json.loads(
                it.run(
                    "fetch",
                    "brief.toml",
                    "--json",
                    "--transport",
                    transport,
                    SSL_CERT_FILE=str(TLS / "ca.pem"),
                )
            )
            expect(told["complete"] is True, f"The fetch by {transport} is not complete: {told}")
    it.run("verify", "brief.toml")


def checks_jpegs(it: Packaged) -> None:
    """The process that checks JPEGs finds a whole one whole and a cut one cut."""
    out = io.BytesIO()
    Image.effect_noise((256, 256), 60).save(out, "JPEG")
    whole = out.getvalue()
    cut = whole[: len(whole) // 2] + b"\xff\xd9"
    command, env = it.command(OWN_PROCESS, "packer.content.jpeg_checks")
    given = b"".join(LENGTH.pack(len(body)) + body for body in (whole, cut))
    said = subprocess.run(command, env=env, input=given, capture_output=True, timeout=60, check=True).stdout
    expect(said[:1] == READY, "The process that checks JPEGs does not get ready.")
    findings = [FINDING.unpack(said[1 + i * FINDING.size :][: FINDING.size]) for i in range(2)]
    digest = hashlib.sha256(whole).digest()
    expect(findings[0] == (True, 256, 256, digest) and not findings[1][0], f"It finds {findings}.")
    print("  served    the process that checks JPEGs")


def fetches_on_the_desk(it: Packaged) -> None:
    """A fetch that the desk is asked for, and the process of its own that does it."""
    command, env = it.command(OWN_PROCESS, "packer.desk.fetch_apart")
    with subprocess.Popen(command, env=env, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        expect(b"ready" in process.stdout.readline(), "The process of the desk's fetch does not get ready.")
        process.stdin.close()
    with secure_server() as url:
        (it.work / "brief.toml").write_text(_BRIEF.format(url=url), encoding="utf-8")
        shutil.rmtree(it.work / "packs")
        with it.serving("desk", "brief.toml", "--no-browser", SSL_CERT_FILE=str(TLS / "ca.pem")) as link:
            desk, base = browser(), link.partition("open?")[0]
            page(desk, link)
            headers = {"Origin": base.rstrip("/"), "Content-Type": "application/json"}
            desk.open(urllib.request.Request(f"{base}api/jobs/fetch", b"{}", headers), timeout=60).close()
            ends = time.monotonic() + LONGEST_S
            while (job := json.loads(page(desk, f"{base}api/state"))["jobs"]["fetch"])["state"] == "running":
                expect(time.monotonic() < ends, "The fetch of the desk does not end.")
                time.sleep(0.2)
    expect(job["state"] == "done" and job["result"]["complete"], f"The fetch of the desk: {job}")


def proves(it: Packaged) -> None:
    """The demonstration, its proof by processes of its own, its report, and a card of it."""
    said = it.run("demo", "--into", "demo")
    expect("READY WITH WARNINGS" in said, f"The demonstration does not end READY: {said}")
    told = json.loads(it.run("verify", "demo", "--full", "--report", "report", "--json"))
    expect(told["verdict"] == "READY WITH WARNINGS", f"verify --full: {told}")
    written = list((it.work / "report").iterdir())
    expect(any(path.suffix == ".html" for path in written), f"The report is {written}.")
    it.run("handover", "demo", "--to", "card")
    expect("INTACT" in it.run("inspect", "card"), "The card is not INTACT.")
    it.run("key", "set", "PACKAGED_KEY", given=b"abc\n", code=2)  # no keyring runs here: a sentence, no fault
    it.run("schema")


def shows(it: Packaged) -> None:
    """The map page and the desk, with what they load; and the desk where a file manager starts the program."""
    with it.serving("view", "demo") as url:
        view = browser()
        expect(b"<html" in page(view, url), "The map page does not come.")
        for path in re.findall(rb'(?:src|href)="(/?[\w./-]+\.(?:js|css))"', page(view, url)):
            page(view, url.rstrip("/") + "/" + path.decode().lstrip("/"))
    for words, environment in ((("desk", "demo", "--no-browser"), {}), ((), {"DISPLAY": ":99"})):
        with it.serving(*words, **environment) as link:
            desk = browser()
            first, base = page(desk, link), link.partition("open?")[0]
            for path in re.findall(rb'(?:src|href)="(/?[\w./-]+\.(?:js|css))"', first):
                page(desk, base + path.decode().lstrip("/"))
            state = json.loads(page(desk, base + "api/state"))
            expect(state["title"] == "Ketterling Basin reconnaissance", f"The desk has {state['title']}.")


def _listing(folder: Path) -> list[tuple[str, int, int]]:
    found = sorted(folder.rglob("*"))
    return [
        (str(path), path.lstat().st_size, path.lstat().st_mtime_ns) for path in found if not path.is_dir()
    ]


def main(arguments: list[str]) -> int:
    """Try the folder; gives back the exit code. If the process dies: what it made lies in the temporary folder."""
    # In the background of a script Ctrl-C is ignored, and so it would be in all that is started here.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    with tempfile.TemporaryDirectory(prefix="lastbar-packaged-") as temporary:
        moved = Path(temporary, "another place", "lastbar")
        shutil.copytree(arguments[0], moved, symlinks=True)
        before = _listing(moved)
        work = Path(temporary, "work")
        work.mkdir()
        it = Packaged(moved / "lastbar", work)
        for trial in (starts, plans, fetches, checks_jpegs, fetches_on_the_desk, proves, shows):
            print(f"{trial.__doc__}", flush=True)
            trial(it)
        expect(_listing(moved) == before, "It has written into its own folder.")
        size = sum(size for _, size, _ in before)
    print(f"The packaged folder ({size / 1e6:.0f} MB) does all of it, moved and with an empty environment.")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
