"""Draw the maker's guide's pictures again: `python firmware/guide/draw.py [FOLDER]`, by default beside this file.

Wiring comes from firmware/pins.py, the auger's plan and the sizes in auger.scad from auger.json.
"""

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent


def pictures():
    """Every file of the guide that is made from tables, by name."""
    sys.path[:0] = [str(HERE), str(HERE.parent)]
    import mechanics
    import wiring
    from pins import BOARDS

    found = {}
    for board, table in BOARDS.items():
        found[f"wiring-feeder-{board}.svg"] = wiring.feeder(table["text"], table["feeder"]).svg()
        found[f"wiring-probe-{board}.svg"] = wiring.probe(table["text"], table["probe"]).svg()
    sizes = mechanics.read_sizes(HERE / "auger.json")
    found["auger.svg"] = mechanics.plan(sizes).svg()
    found["cables.svg"] = mechanics.cables().svg()
    found["auger.scad"] = mechanics.with_sizes((HERE / "auger.scad").read_text(encoding="utf-8"), sizes)
    return found


if __name__ == "__main__":
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE
    for name, text in pictures().items():
        (folder / name).write_text(text, encoding="utf-8")
