"""Reading a brief: what is accepted, and how each fault is told."""

from __future__ import annotations

import string
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packer.errors import EXIT_INPUT, BriefError
from packer.geometry.grid import LonLatBox
from packer.planning.brief import Brief, Overview
from tests.budgets import tries
from tests.commands import lastbar

quick = settings(max_examples=tries(60, 150), deadline=None)  # a busy machine is no failure

URL = "https://tiles.example.org/{z}/{x}/{y}.jpg"
LAYER = f'url = "{URL}"\nattribution = "Example Survey"\npermission = "Own server"\nzooms = [0, 19]\n'
AREA = '[[areas]]\nname = "course"\n'
BOX = "box = [12.3, 47.0, 12.7, 47.25]\n"

# The jargon of the libraries underneath, none of which may reach a planner.
JARGON = (
    "pydantic",
    "validation",
    "Value error",
    "Input should",
    "tuple",
    "dict",
    "instance of",
    "literal",
    "Traceback",
    "None",
    "Errno",
)


def brief_text(top: str = "", layer: str = LAYER, area: str = BOX + "deepest = 12\n", tail: str = "") -> str:
    return f'title = "Test"\n{top}\n[layers.aerial]\n{layer}\n{AREA}{area}\n{tail}'


def told(text: str) -> str:
    """What the planner reads, after the checks that hold for every message."""
    with pytest.raises(BriefError) as refused:
        Brief.from_text(text, "maps/brief.toml")
    message = str(refused.value)
    assert refused.value.exit_code == EXIT_INPUT
    assert message.startswith("maps/brief.toml")
    assert message.endswith((".", "?"))
    assert not [word for word in JARGON if word in message]
    assert all(len(line) < 300 and line.isprintable() for line in message.splitlines())
    return message


FULL = f"""
title = "Ketterling Basin reconnaissance"
contact = "maps@example.org"
store = "packs/today"
[layers.aerial]
url = "https://{{s}}.example.org/aerial/{{z}}/{{x}}/{{-y}}.jpg?k=${{KETTERLING_KEY}}"
subdomains = ["a", "b"]
attribution = '''<a href="https://example.org">Example Survey</a>,
two lines'''
permission = "Own server"
zooms = [0, 19]
connections = 8
requests-per-second = 12.5
headers = {{ "X-Key" = "${{KETTERLING_KEY}}" }}
format = "jpg"
[layers.topo]
{LAYER}
[[areas]]
name = "course"
line = "course.gpx"
half-width = "250 m"
deepest = 17
layers = ["aerial"]
[[areas]]
name = "base camp"
point = [12.5012, 47]
radius = "2 km"
use = "on foot"
[[areas]]
name = "caches"
points = "course.gpx"
radius = "150 m"
use = "trail"
[[areas]]
name = "date line"
box = [179, 47.00, -179, 47.25]
deepest = 0
[[areas]]
name = "sectors"
polygon = "sectors.geojson"
use = "road"
[overview]
margin = "0 m"
deepest = 9
"""


def test_every_key_of_a_brief_is_read() -> None:
    brief = Brief.from_text(FULL, "maps/brief.toml")
    aerial = brief.layers["aerial"]
    assert (aerial.name, aerial.zooms, aerial.connections) == ("aerial", (0, 19), 8)
    assert (aerial.requests_per_second, aerial.subdomains, aerial.format) == (12.5, ("a", "b"), "jpg")
    assert aerial.headers == {"X-Key": "${KETTERLING_KEY}"}
    assert brief.layers["topo"].connections == 4
    course, camp, caches, date_line, sectors = brief.areas
    assert (course.half_width, course.deepest_zoom, course.layers) == (250, 17, ("aerial",))
    assert (camp.point, camp.radius, camp.deepest_zoom, camp.layers) == ((12.5012, 47.0), 2000, 18, None)
    assert (caches.file, caches.deepest_zoom, sectors.deepest_zoom) == ("course.gpx", 17, 15)
    assert (date_line.box, date_line.deepest_zoom) == (LonLatBox(179, 47, -179, 47.25), 0)
    assert brief.overview == Overview.model_validate({"margin": "0 m", "deepest": 9})
    assert (brief.path, brief.store_folder) == (Path("maps/brief.toml"), Path("maps/packs/today"))


def test_the_overview_is_on_unless_it_is_switched_off() -> None:
    assert Brief.from_text(brief_text()).overview == Overview()
    assert Brief.from_text(brief_text("overview = false")).overview is False


LONG = "9" * 5000

# (what is wrong, the brief, words that the message has to have)
BAD: list[tuple[str, str, tuple[str, ...]]] = [
    ("no TOML", "title = Test\n", ("line 1, column 9", "quotes")),
    ("a Windows path", brief_text(area='line = "C:\\Users\\a.gpx"\n'), ("line 11", '"/"')),
    ("a key twice", 'title = "a"\ntitle = "b"\n', ("line 2", "in the brief twice")),
    ("endless digits", f"title = {LONG}\n", ("thousands of digits",)),
    ("deep arrays", f"x = {'[' * 5000}{']' * 5000}\n", ("too deep",)),
    ("deep tables", f"x = {'{a=' * 3000}1{'}' * 3000}\n", ("too deep",)),
    ("nothing", "", ("title is missing", "layers is missing", "areas is missing", "[[areas]]")),
    ("an unknown key", brief_text("tilte = 1"), ('"tilte"', 'did you mean "title"?')),
    ("path as a key", brief_text('path = "x"'), ('"path" is not known',)),
    ("an unknown layer key", brief_text(layer=LAYER + "conections = 3\n"), ('layer "aerial"', "connections")),
    ("a strange layer key", brief_text(layer=LAYER + "qqqq = 3\n"), ("known names: attribution, blank, connections",)),
    ("an underscore", brief_text(layer=LAYER + "requests_per_second = 3\n"), ('"requests-per-second"',)),
    ("an unknown area key", brief_text(area=BOX + "depest = 3\n"), ('area "course"', 'mean "deepest"')),
    ("a key gone astray", brief_text(tail="overview = false"), ('"overview"', "top of the brief")),
    ("a layer's key below an area", brief_text(tail="zooms = [0, 9]"), ('"zooms"', "[layers.NAME]")),
    ("an unknown overview key", brief_text(tail='[overview]\nmargn = "2 km"'), ("[overview]", '"margin"')),
    ("a key with controls", brief_text('"a\\u001b[2Jb" = 1'), ("\\u001b",)),
    ("a number as title", brief_text().replace('"Test"', "5"), ("title is 5", "text in quotes")),
    ("a date as title", brief_text().replace('"Test"', "2024-01-02"), ("title is 2024-01-02",)),
    ("an empty title", brief_text().replace('"Test"', '""'), ('title is ""', "empty")),
    ("a blank title", brief_text().replace('"Test"', '"  "'), ("empty",)),
    ("a long title", brief_text().replace("Test", "x" * 3000), ("2000 characters", "…")),
    ("a title with controls", brief_text().replace("Test", "a\\u001b[31m"), ("control characters", "\\u001b")),
    ("contact on two lines", brief_text('contact = "a\\nX: b"'), ("contact", "one line")),
    ("contact with a bracket", brief_text('contact = "a) b"'), ("contact", "( )")),
    ("contact beyond ASCII", brief_text('contact = "ü"'), ("contact", "ASCII")),
    ("store empty", brief_text('store = ""'), ("store", "empty")),
    ("store with a zero byte", brief_text('store = "a\\u0000"'), ("store", "control")),
    ("layers as a list", 'title = "a"\nlayers = []\n' + AREA + BOX + "deepest = 1", ("[layers.aerial]",)),
    ("layers empty", 'title = "a"\n[layers]\n' + AREA + BOX + "deepest = 1", ("[layers.aerial]",)),
    ("keys right under layers", brief_text().replace("[layers.aerial]", "[layers]"), ('"url"', "name of a layer")),
    ("a list of layers", brief_text().replace("[layers.aerial]", "[[layers]]"), ("[layers.aerial]",)),
    ("a name in a layer", brief_text(layer=LAYER + 'name = "x"\n'), ('layer "aerial"', "heading")),
    ("areas as one table", brief_text().replace("[[areas]]", "[areas]"), ("[[areas]]", "double brackets")),
    ("areas as numbers", f'title = "a"\nareas = [1]\n[layers.aerial]\n{LAYER}', ("Area number 1", "[[areas]]")),
    ("two areas of a name", brief_text(tail=AREA + BOX + "deepest = 1"), ('"course"', "its own")),
    ("an area named overview", brief_text().replace("course", "Overview"), ("name", "choose another")),
    ("an area without a name", brief_text().replace('name = "course"', ""), ("area number 1", 'name = "course"')),
    ("an area with an empty name", brief_text().replace("course", " "), ("area number 1", "empty")),
    ("an unknown layer", brief_text(area=BOX + 'deepest = 1\nlayers = ["aerail"]'), ('"aerail"', 'mean "aerial"')),
    ("layers of an area as text", brief_text(area=BOX + 'deepest = 1\nlayers = "aerial"'), ('["aerial"]',)),
    ("layers of an area empty", brief_text(area=BOX + "deepest = 1\nlayers = []"), ("leave it out",)),
    ("overview as text", brief_text('overview = "no"'), ("overview = false",)),
    ("overview as nought", brief_text("overview = 0"), ("overview is 0", "overview = false")),
    ("overview too wide", brief_text(tail='[overview]\nmargin = "2000 km"'), ("margin", "1000 km")),
    ("no shape", brief_text(area="deepest = 3"), ("exactly one of line", "found none")),
    ("two shapes", brief_text(area=BOX + 'line = "a.gpx"\nhalf-width = "2 m"\ndeepest = 1'), ("line and box",)),
    ("no depth", brief_text(area=BOX), ("depth", "deepest = 17", '"on foot"')),
    ("depth twice", brief_text(area=BOX + 'deepest = 3\nuse = "road"'), ("depth", "once")),
    ("an unknown use", brief_text(area=BOX + 'use = "by air"'), ("use", '"on foot", "trail" or "road"')),
    ("half-width missing", brief_text(area='line = "a.gpx"\ndeepest = 1'), ("half-width is missing",)),
    ("radius for a line", brief_text(area='line = "a.gpx"\nradius = "2 m"\ndeepest = 1'), ("half-width is missing",)),
    ("radius for a box", brief_text(area=BOX + 'radius = "2 m"\ndeepest = 1'), ("radius does not go with box",)),
    ("an empty file name", brief_text(area='polygon = ""\ndeepest = 1'), ("polygon", "empty")),
    ("a list of files", brief_text(area='line = ["a.gpx"]\ndeepest = 1'), ("line", "a file's name in quotes")),
]  # fmt: skip

for key, good in (("zooms", "[0, 19]"), ("connections", "whole number"), ("requests-per-second", "number")):
    for value in (
        "true",
        '"8"',
        "-1",
        "nan",
        "inf",
        "[]",
        "{}",
        "0x" + "f" * 5000,
        "[[1], [2]]",
        "1979-05-27",
    ):
        layer = LAYER.replace("zooms = [0, 19]\n", "") if key == "zooms" else LAYER
        BAD.append((f"{key} = {value[:12]}", brief_text(layer=f"{layer}{key} = {value}\n"), (key, good)))
for value in ("[0, 25]", "[9, 1]", "[false, true]", "[0, 1.5]", "[0, 1, 2]"):
    BAD.append((f"zooms = {value}", brief_text(layer=LAYER.replace("[0, 19]", value)), ("zooms", value)))
for value in ("25", "-1", '"12"', "true", "12.0", "[[[12]]]"):
    BAD.append(
        (f"deepest = {value}", brief_text(area=f"{BOX}deepest = {value}"), ("deepest", "from 0 to 24"))
    )
for value, word in {
    "250": "unit",
    '"250"': "unit",
    '"2,5 km"': "unit",
    '"-5 m"': "unit",
    '"2 miles"': "unit",
    '"0 m"': "between 1 m and 100 km",
    '"200 km"': "between 1 m and 100 km",
    f'"{"9" * 400} m"': "…",
    "true": "unit",
}.items():
    text = brief_text(area=f'line = "a.gpx"\nhalf-width = {value}\ndeepest = 1')
    BAD.append((f"half-width = {value[:12]}", text, ('area "course"', "half-width", word)))
for value, word in {
    '"12, 47"': "[longitude, latitude]",
    "[12, 47, 3]": "[longitude, latitude]",
    '["12", "47"]': "[longitude, latitude]",
    "[true, 47]": "[longitude, latitude]",
    "[12, 86]": "85.0511",
    "[47.1, 112.5]": "swapped",
    "[200, 2]": "longitude 200",
    "[nan, 2]": "longitude nan",
    "[2, -inf]": "latitude -inf",
    f"[{'9' * 400}, 2]": "longitude inf",
    f"{'[' * 80}{']' * 80}": "[longitude, latitude]",
}.items():
    text = brief_text(area=f'point = {value}\nradius = "2 km"\ndeepest = 1')
    BAD.append((f"point = {value[:12]}", text, ('area "course"', "point", word)))
for value, word in {
    "[1, 2, 3]": "[west, south, east, north]",
    "{ west = 1 }": "[west, south, east, north]",
    "[12.3, 47.3, 12.7, 47.0]": "south (47.3) should be less than north (47)",
    "[12, 47, 12, 48]": "west and east should differ",
    "[-180, -90, 180, 90]": "85.0511",
    "[1, nan, 3, 4]": "latitude nan",
    f"[1, 2, 3, {'9' * 400}]": "latitude inf",
}.items():
    text = brief_text(area=f"box = {value}\ndeepest = 1")
    BAD.append((f"box = {value[:12]}", text, ('area "course"', "box", word)))
for name in (
    "../x",
    "a/b",
    "a\\\\b",
    "con",
    "COM1.x",
    "con .x",
    "lpt0",
    "a\\u0000",
    "a\\n",
    "",
    " a",
    "a.",
    ".a",
    "ü",
    "x" * 65,
):
    text = brief_text().replace("[layers.aerial]", f'[layers."{name}"]')
    BAD.append((f"a layer named {name[:8]!r}", text, ("layer name", "letters, digits")))


@pytest.mark.parametrize(("text", "words"), [case[1:] for case in BAD], ids=[case[0] for case in BAD])
def test_a_bad_brief_is_told_in_plain_sentences(text: str, words: tuple[str, ...]) -> None:
    message = told(text)
    assert not [word for word in words if word not in message], message


@pytest.mark.parametrize(
    ("key", "value", "word"),
    [
        ("url", "5", "text in quotes"),
        ("url", '["a1b2c3d4"]', "text in quotes"),
        ("url", '""', "empty"),
        ("url", '"ftp://a1b2c3d4.example/{z}/{x}/{y}"', "http://"),
        ("url", '"https://t.example.org/{x}/{y}?a1b2c3d4"', "{z} is missing"),
        ("url", '"https://t.example.org/{z}/{x}/{y}\\r\\nX: a1b2c3d4"', "control characters"),
        ("url", '"https://t.example.org/{z}/{x}/{y}?k={a1b2c3d4}"', "one of its {…}"),
        ("headers", '"a1b2c3d4"', "names and values"),
        ("headers", '{ "X-Key" = 12345 }', "names and values"),
        ("headers", '{ "X-Key" = ["a1b2c3d4"] }', "names and values"),
        ("headers", '{ "X-Key" = "a1b2c3d4\\r\\nHost: x" }', "one line"),
        ("headers", '{ "X-Key" = "a1b2c3d4\\u0001" }', "one line"),
        ("headers", '{ "X-Key" = "a1b2c3d4ü" }', "ASCII"),
        ("headers", '{ "X-Key: a1b2c3d4" = "x" }', "valid header name"),
        ("headers", '{ "X-Key" = "a1b2c3d4", "x-key" = "b" }', "twice"),
        ("headers", '{ "Host" = "a1b2c3d4" }', "set by Lastbar"),
        ("headers", '{ "user-agent" = "a1b2c3d4" }', "set by Lastbar"),
        ("headers", '{ "If-Match" = "a1b2c3d4" }', "set by Lastbar"),
    ],
)
def test_what_may_hold_a_key_is_refused_without_being_repeated(key: str, value: str, word: str) -> None:
    rest = [line for line in LAYER.splitlines() if not line.startswith(key)]
    message = told(brief_text(layer="\n".join([*rest, f"{key} = {value}"])))
    assert f'In layer "aerial", {key} cannot be used' in message
    assert word in message
    assert "a1b2c3d4" not in message


def test_no_key_is_in_the_repr_of_a_brief_nor_in_the_cause_of_its_error() -> None:
    text = brief_text(
        layer=LAYER.replace("{y}.jpg", "{y}.jpg?k=a1b2c3d4") + 'headers = { X-K = "a1b2c3d4" }\n'
    )
    assert "a1b2c3d4" not in repr(Brief.from_text(text))
    with pytest.raises(BriefError) as refused:
        Brief.from_text(text.replace("{z}", ""))
    assert refused.value.__cause__ is None


def test_layers_whose_names_differ_in_capitals_alone_are_refused() -> None:
    message = told(brief_text(layer=LAYER + "[layers.Aerial]\n" + LAYER))
    assert '"aerial" and "Aerial"' in message


def test_several_faults_are_told_at_once_and_a_flood_is_cut_short() -> None:
    few = told(brief_text(layer=LAYER + "connections = 0\n").replace('"Test"', "4"))
    assert [line[:2] for line in few.splitlines()[1:]] == ["- ", "- "]
    many = told(brief_text(tail="".join(f'[[areas]]\nname = "a{n}"\n' for n in range(500))))
    assert len(many.splitlines()) == 14
    assert many.endswith("There are 488 more errors like these.")


def test_one_fault_in_one_area_makes_one_sentence() -> None:
    assert len(told(brief_text(area=BOX + "deepest = 99")).splitlines()) == 1


def test_a_fault_of_a_crew_names_the_crew_and_the_key() -> None:
    said = told(
        brief_text(tail='[[crews]]\nname = "north"\nbudget = "32"\n[[crews]]\nname = "south"\nbudgt = 1\n')
    )
    assert 'In crew "north", budget is "32", but' in said
    assert 'In crew "south", the key "budgt" is not known; did you mean "budget"?' in said


@quick
@given(st.text(alphabet=string.printable + "äß\u202e\0", max_size=60))
def test_text_of_any_kind_is_a_brief_or_a_sentence(text: str) -> None:
    told(text)


TOML_VALUES = st.recursive(
    st.booleans().map(lambda b: str(b).lower())
    | st.integers().map(str)
    | st.floats().map(lambda f: repr(f) if "e" not in repr(f) else "1e5")
    | st.sampled_from(['""', '"x"', '"250 m"', "1979-05-27", "07:32:00", "1979-05-27T07:32:00Z"]),
    lambda inner: (
        st.lists(inner, max_size=3).map(lambda each: f"[{', '.join(each)}]")
        | st.lists(inner, max_size=2).map(
            lambda each: "{" + ", ".join(f"k{i} = {v}" for i, v in enumerate(each)) + "}"
        )
    ),
    max_leaves=4,
)
ALL_KEYS = (
    *("title", "contact", "store", "overview", "layers", "areas"),
    *(f"layers.aerial.{k}" for k in ("url", "attribution", "zooms", "connections", "requests-per-second")),
    *(f"layers.aerial.{k}" for k in ("headers", "subdomains", "format", "permission")),
    *(f"areas.{k}" for k in ("name", "line", "point", "points", "box", "polygon", "half-width", "radius")),
    *(f"areas.{k}" for k in ("deepest", "use", "layers")),
    *(f"overview.{k}" for k in ("margin", "deepest")),
)


@quick
@given(st.sampled_from(ALL_KEYS), TOML_VALUES)
def test_any_value_at_any_key_is_accepted_or_told_in_a_sentence(key: str, value: str) -> None:
    *room, name = key.split(".")
    lines = {"layers": LAYER, "areas": BOX + "deepest = 1\n", "overview": "deepest = 3\n", "": ""}
    lines[room[0] if room else ""] += f"{name} = {value}\n"
    area = "" if key == "areas" else f"{AREA}{lines['areas']}"
    layer = "" if key == "layers" else f"[layers.aerial]\n{lines['layers']}"
    overview = "" if key == "overview" else f"[overview]\n{lines['overview']}"
    title = "" if key == "title" else 'title = "Test"\n'
    text = f"{title}{lines['']}{layer}{overview}{area}"
    try:
        Brief.from_text(text)
    except BriefError:
        told(text)


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_a_byte_order_mark_and_windows_line_ends_are_read(tmp_path: Path, mark: bytes, newline: str) -> None:
    path = tmp_path / "brief.toml"
    path.write_bytes(mark + brief_text().replace("\n", newline).encode())
    assert Brief.read(path).title == "Test"


def test_a_folder_stands_for_the_brief_in_it(tmp_path: Path) -> None:
    (tmp_path / "brief.toml").write_text(brief_text(), encoding="utf-8")
    assert Brief.read(tmp_path).path == tmp_path / "brief.toml"


def _refusal(path: Path) -> str:
    with pytest.raises(BriefError) as refused:
        Brief.read(path)
    return str(refused.value)


def test_files_that_are_no_brief_are_named_with_a_way_out(tmp_path: Path) -> None:
    assert "lastbar new" in _refusal(tmp_path / "none.toml")
    assert str(tmp_path / "brief.toml") in _refusal(tmp_path)
    wide = tmp_path / "wide.toml"
    wide.write_bytes(brief_text().encode("utf-16"))
    assert "UTF-8" in _refusal(wide)
    big = tmp_path / "big.toml"
    big.write_bytes(b"#" * 4_000_001)
    assert "over 1 MB" in _refusal(big)
    loop = tmp_path / "loop.toml"
    loop.symlink_to(loop)
    assert "cannot be read" in _refusal(loop)
    assert "cannot be read" in _refusal(tmp_path / "a\0b.toml")
    assert "cannot be read" in _refusal(tmp_path / ("x" * 300))


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="a device without an end is wanted")
def test_a_device_without_an_end_is_no_brief() -> None:
    assert "is a device and not a regular file" in _refusal(Path("/dev/zero"))


def test_an_unreadable_file_is_told_with_its_reason(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)  # whoever runs the tests may be allowed to read everything
    assert "cannot be read: Permission denied" in _refusal(tmp_path / "brief.toml")


def test_the_command_ends_with_exit_code_2_and_without_a_traceback(tmp_path: Path) -> None:
    path = tmp_path / "brief.toml"
    path.write_text(brief_text(area=BOX + "deepest = 99"), encoding="utf-8")
    done = lastbar("plan", path)
    assert (done.returncode, done.stdout) == (2, "")
    assert "deepest is 99" in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr
