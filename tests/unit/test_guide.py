"""The maker's guide: its drawings are those that the tables give, each pin goes to its part, and each remedy's fault
can be shown on the desk. What goes where is said here a second time, from the parts' own terminals (common practice, no
source)."""

import json
import math
import re
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from fault_codes import fault_codes

from present import present
from tareline.resources import firmware_dir, load_firmware

GUIDE = firmware_dir() / "guide"
BOARDS = load_firmware("pins").BOARDS
EVERY = [(board, kind) for board in BOARDS for kind in ("feeder", "probe")]
PLANS = sorted(path.name for path in GUIDE.glob("*.svg"))
PARTS = {
    "cell_data": ("converter", "data"),
    "cell_clock": ("converter", "clock"),
    "motor_step": ("driver", "step"),
    "motor_direction": ("driver", "direction"),
    "motor_enable": ("driver", "enable (low: on)"),
    "thermometer": ("thermometer", "data"),
    "button": ("button", "contact"),
    "clock_sda": ("clock", "SDA"),
    "clock_scl": ("clock", "SCL"),
    "converter_a": ("cell", "electrode a"),
    "converter_b": ("cell", "electrode b"),
    "drive_a": ("cell", "electrode a"),
    "drive_b": ("cell", "electrode b"),
}
Point = tuple[float, float]


def elements(name: str, tag: str) -> list[dict[str, str]]:
    root = ElementTree.parse(GUIDE / name).getroot()
    return [
        element.attrib | {"words": element.text or ""} for element in root.iter("{http://www.w3.org/2000/svg}" + tag)
    ]


def points(line: dict[str, str]) -> list[Point]:
    return [(float(x), float(y)) for x, y in (pair.split(",") for pair in line["points"].split())]


def centre(circle: dict[str, str]) -> Point:
    return float(circle["cx"]), float(circle["cy"])


def number(element: dict[str, str], name: str) -> float:
    return float(element[name])


def test_the_committed_drawings_are_what_the_tables_give(tmp_path: Path) -> None:
    command = [sys.executable, "-B", "-I", str(GUIDE / "draw.py"), str(tmp_path)]
    subprocess.run(command, check=True, timeout=60)
    drawn = {path.name: path.read_text(encoding="utf-8") for path in tmp_path.iterdir()}
    assert set(drawn) == {*PLANS, "auger.scad"}
    assert {f"wiring-{kind}-{board}.svg" for board, kind in EVERY} < set(drawn)
    for name, text in drawn.items():
        assert (GUIDE / name).read_text(encoding="utf-8") == text, f"{name}: run firmware/guide/draw.py"


@pytest.mark.parametrize(("board", "kind"), EVERY)
def test_each_pin_of_the_table_is_drawn_to_its_part(board: str, kind: str) -> None:
    name, table = f"wiring-{kind}-{board}.svg", BOARDS[board][kind]
    circles, boxes = elements(name, "circle"), elements(name, "rect")
    wires = {line["data-pin"]: line for line in elements(name, "polyline") if "data-pin" in line}
    assert {pin: int(wire["data-gpio"]) for pin, wire in wires.items()} == table
    pins = {int(circle["data-gpio"]): centre(circle) for circle in circles if "data-gpio" in circle}
    assert set(pins) == set(table.values())
    places = {(at["data-part"], at["data-terminal"]): centre(at) for at in circles if "data-terminal" in at}
    labels = [(text["words"], float(text["y"])) for text in elements(name, "text")]
    blocks = {box["data-part"]: box for box in boxes if "data-part" in box}
    for pin, wire in wires.items():
        start, end = points(wire)[0], points(wire)[-1]
        assert start == pins[table[pin]]
        assert {(pin, start[1] + 5), (f"GPIO {table[pin]}", start[1] + 5)} <= set(labels)
        assert (wire["data-part"], wire["data-terminal"]) == PARTS[pin]
        if pin.startswith("drive_"):
            # by way of its resistor, upright between this wire's end and the converter's wire
            converter = points(wires[pin.replace("drive", "converter")])
            (resistor,) = [box for box in boxes if box.get("data-pin") == pin]
            assert "1 kilo-ohm, 1 %" in resistor["data-resistor"]
            assert set(leads(name, resistor, end[0])) == {end[1], converter[0][1]}
        else:
            assert end == places[PARTS[pin]]
            block = blocks[PARTS[pin][0]]
            assert end[0] == number(block, "x")
            assert number(block, "y") < end[1] < number(block, "y") + number(block, "height")


def leads(name: str, box: dict[str, str], x: float) -> tuple[float, float]:
    """Where an upright resistor's two leads end, the upper one first."""
    top, bottom = number(box, "y"), number(box, "y") + number(box, "height")
    lines = [[y for at, y in points(line) if at == x] for line in elements(name, "polyline")]
    (above,) = [line[0] for line in lines if line[1:] == [top]]
    (below,) = [line[-1] for line in lines if line[:-1] == [bottom]]
    return above, below


@pytest.mark.parametrize(("board", "kind"), EVERY)
def test_the_resistors_hang_on_their_wires_and_go_to_the_right_side(board: str, kind: str) -> None:
    """motor_enable to 3.3 V and motor_step to ground: firmware/README.md says why. 4.7 kilo-ohm at the thermometer's
    data line: the chip's data sheet, from memory."""
    name = f"wiring-{kind}-{board}.svg"
    wires = {line["data-pin"]: points(line) for line in elements(name, "polyline") if "data-pin" in line}
    nets = {points(line)[0]: line["data-net"] for line in elements(name, "polyline") if "data-net" in line}
    found = {}
    for box in elements(name, "rect"):
        if "data-to" in box:
            x, wire = number(box, "x") + number(box, "width") / 2, wires[box["data-pin"]]
            assert wire[0][0] < x < wire[-1][0]
            signs = {y for at, y in nets if at == x and nets[at, y] == box["data-to"]}
            wire_y, (above, below) = wire[0][1], leads(name, box, x)
            far, near = (below, above) if box["data-to"] == "ground" else (above, below)
            assert near == wire_y
            assert far in signs
            found[box["data-pin"]] = (box["data-resistor"], box["data-to"])
    expected = {"thermometer": ("4.7 kilo-ohm", "3.3 V")}
    if kind == "feeder":
        expected |= {"motor_enable": ("10 kilo-ohm", "3.3 V"), "motor_step": ("10 kilo-ohm", "ground")}
        assert [box["data-capacitor"] for box in elements(name, "rect") if "data-capacitor" in box] == ["100 uF"]
    assert found == expected


@pytest.mark.parametrize(("board", "kind"), EVERY)
def test_every_part_has_its_supply_and_its_ground(board: str, kind: str) -> None:
    name = f"wiring-{kind}-{board}.svg"
    nets = [(points(line)[0], line["data-net"]) for line in elements(name, "polyline") if "data-net" in line]
    found: dict[str, set[str]] = {}
    for box in elements(name, "rect"):
        if "data-part" in box:
            left, top = number(box, "x"), number(box, "y")
            right, bottom = left + number(box, "width"), top + number(box, "height")
            touching = {net for (x, y), net in nets if left < x < right and y == (bottom if net == "ground" else top)}
            found[box["data-part"]] = touching
    both = {"3.3 V", "ground"}
    expected = {"board": set(), "supply": set(), "thermometer": both, "clock": both, "cell": set()}
    if kind == "feeder":
        del expected["cell"]
        expected |= {"converter": both, "driver": both, "button": {"ground"}, "load-cell": set(), "motor": set()}
    assert found == expected
    joints = {centre(circle) for circle in elements(name, "circle") if circle["class"] == "dot"}
    fives = [at for at, net in nets if net == "5 V"]
    assert len(fives) == (2 if kind == "feeder" else 1)  # at the supply, and at the driver's motor supply
    assert set(fives) <= joints


def area_of(text: dict[str, str]) -> tuple[float, float, float, float]:
    """Where a label's letters stand: 0.6 of the size for each, as wide as a common sans serif is on average."""
    size = {"small": 13, "title": 20}.get(text.get("class", ""), 15)
    width, x, y = 0.6 * size * len(text["words"]), float(text["x"]), float(text["y"])
    left = {"start": 0.0, "middle": width / 2, "end": width}[text["text-anchor"]]
    if "transform" in text:
        return x - 0.75 * size, y + left - width, x, y + left
    return x - left, y - 0.75 * size, x - left + width, y


def crosses(a: Point, b: Point, area: tuple[float, float, float, float]) -> bool:
    """Whether a level or upright line touches the area."""
    x0, y0, x1, y1 = area
    low_x, high_x, low_y, high_y = min(a[0], b[0]), max(a[0], b[0]), min(a[1], b[1]), max(a[1], b[1])
    return low_x < x1 and high_x > x0 and low_y < y1 and high_y > y0


@pytest.mark.parametrize("name", PLANS)
def test_no_line_runs_through_a_label_and_no_label_over_another(name: str) -> None:
    texts = elements(name, "text")
    areas = [area_of(text) for text in texts]
    lines = [points(line) for line in elements(name, "polyline")]
    for i, (text, area) in enumerate(zip(texts, areas, strict=True)):
        hit = [line for line in lines for a, b in pairwise(line) if crosses(a, b, area)]
        assert not hit, (text["words"], hit)
        others = [texts[k]["words"] for k in range(i) if crosses(areas[k][:2], areas[k][2:], area)]
        assert not others, (text["words"], others)


@pytest.mark.parametrize("name", PLANS)
def test_a_drawing_can_be_read_aloud_in_the_dark_and_is_small(name: str) -> None:
    root = ElementTree.parse(GUIDE / name).getroot()
    text = (GUIDE / name).read_text(encoding="utf-8")
    assert root.attrib["role"] == "img"
    assert [bool(root[i].text) for i in (0, 1)] == [True, True]
    assert [root[i].attrib["id"] for i in (0, 1)] == root.attrib["aria-labelledby"].split()
    assert "prefers-color-scheme:dark" in text
    assert len(text) < 16000


def test_openscad_plan_and_guide_carry_the_same_sizes() -> None:
    sizes: dict[str, float] = json.loads((GUIDE / "auger.json").read_text(encoding="utf-8"))
    scad = (GUIDE / "auger.scad").read_text(encoding="utf-8")
    assert {name: float(value) for name, value in re.findall(r"^(\w+) = ([\d.]+);$", scad, flags=re.MULTILINE)} == sizes
    program = scad.split("// sizes: end")[1]
    unused = {name for name in sizes if name not in program}
    assert unused == {"motor_length_mm", "cell_length_mm", "cell_height_mm", "free_gap_mm", "fill_share"} | {
        "bulk_density_g_per_ml",
        "motor_steps_per_turn",
    }
    shown = {text["words"] for text in elements("auger.svg", "text")}
    dimensions = (
        "screw_outer_diameter screw_core_diameter screw_pitch screw_length tube_length inlet_start inlet_length"
    )
    dimensions += " inlet_width outlet_start outlet_length drip_edge_height hopper_top hopper_height coupling_length"
    for name in (dimensions + " motor_face motor_length cell_above_axis cell_length").split():
        assert f"{sizes[name + '_mm']:g}" in shown, name
    # Screw conveyors: pi/4 (D^2 - d^2) x pitch x fill (common practice, from memory).
    ring_mm2 = math.pi / 4 * (sizes["screw_outer_diameter_mm"] ** 2 - sizes["screw_core_diameter_mm"] ** 2)
    turn_ml = ring_mm2 * sizes["screw_pitch_mm"] * sizes["fill_share"] / 1000
    step_mg = 1000 * turn_ml * sizes["bulk_density_g_per_ml"] / sizes["motor_steps_per_turn"]
    guide = (GUIDE / "GUIDE.md").read_text(encoding="utf-8")
    sums = [line for line in shown if "=" in line]
    assert len(sums) == 4
    for line in sums:
        assert line in guide
    assert any(line.endswith(f"{turn_ml:.3f} mL") for line in sums)
    assert any(line.endswith(f"{step_mg:.2f} mg a step") for line in sums)


def test_the_guide_shows_every_drawing_and_every_file_it_names_exists() -> None:
    guide = (GUIDE / "GUIDE.md").read_text(encoding="utf-8")
    targets = re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", guide)
    assert set(PLANS) <= set(targets)
    assert [target for target in targets if not (GUIDE / target).exists()] == []


def symptoms() -> list[list[str]]:
    guide = (GUIDE / "GUIDE.md").read_text(encoding="utf-8")
    rows = guide.split("## From symptom to cause")[1].split("\n## ")[0]
    return [
        [cell.strip() for cell in row.strip("|").split("|")] for row in re.findall(r"^\|.*\|$", rows, flags=re.M)[2:]
    ]


def outside(kind: str) -> tuple[set[str], dict[str, list[tuple[str, str]]]]:
    """Fields of hardware.json, and by knob the pairs of a value and the line that tells of it, from the docstring."""
    text = load_firmware(f"desk_{kind}").__doc__ or ""
    fields = set(re.findall(r"^ {2}(\w+) {2}", text, flags=re.M)) | set(re.findall(r"; (\w+): ", text))
    knobs: dict[str, list[tuple[str, str]]] = {}
    for line in re.findall(r"^ {4}\w+: .*$", text, flags=re.M):
        name, value = present(re.match(r" {4}(\w+): (\S+)", line)).groups()
        knobs.setdefault(name, []).append((value, line))
    return fields, knobs


def test_every_symptom_names_what_shows_it_on_the_desk() -> None:
    codes = set(load_firmware("dosing").OUTCOMES) | set(fault_codes())
    rows = symptoms()
    shown: dict[str, set[str]] = {"feeder": set(), "probe": set()}
    for symptom, told, cause, remedy, knob in rows:
        assert symptom
        assert cause
        assert remedy
        names = re.findall(r"`(\w+)`", told)
        assert set(names) <= codes, symptom
        kind, written = present(re.fullmatch(r"(feeder|probe): `(\{.*\})`", knob)).groups()
        change: dict[str, Any] = json.loads(written)
        fields, knobs = outside(kind)
        for name, value in change.pop("knobs", {}).items():
            assert name in knobs, symptom
            plain = json.dumps(value)
            lines = [line for known, line in knobs[name] if known == plain or plain in line]
            assert lines, (symptom, plain)
            said = set(re.findall(r"(?:outcome|fault) (\w+)", lines[0]))
            assert said <= set(names), (symptom, said)
            shown[kind].add(f"{name} {plain}")
        assert set(change) <= fields, symptom
    # Every knob of the desk is in the table.
    for kind, seen in shown.items():
        assert {f"{name} {value}" for name, values in outside(kind)[1].items() for value, _ in values} <= seen
