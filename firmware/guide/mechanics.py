"""The auger feeder's plan from its sizes, the same sizes for OpenSCAD, and the arithmetic of what a turn gives."""

import json
import math

from sheet import Sheet

BEGIN, END = "// sizes: begin (written by draw.py from auger.json; change them there)\n", "// sizes: end\n"
SCALE = 4  # units of the sheet per millimetre
LEFT, AXIS = 460, 560  # where x = 0 and z = 0 lie on the sheet


def read_sizes(path):
    return json.loads(path.read_text(encoding="utf-8"))


def with_sizes(scad, sizes):
    """The OpenSCAD source with these sizes between its two marks."""
    before, rest = scad.split(BEGIN)
    after = rest.split(END)[1]
    return before + BEGIN + "".join(f"{name} = {value};\n" for name, value in sizes.items()) + END + after


def per_turn_ml(sizes):
    """Volume that one turn moves: pi/4 (D^2 - d^2) x pitch x fill (screw conveyors; common practice, from memory)."""
    ring = math.pi / 4 * (sizes["screw_outer_diameter_mm"] ** 2 - sizes["screw_core_diameter_mm"] ** 2)
    return ring * sizes["screw_pitch_mm"] * sizes["fill_share"] / 1000


def per_step_g(sizes):
    return per_turn_ml(sizes) * sizes["bulk_density_g_per_ml"] / sizes["motor_steps_per_turn"]


def hopper_ml(sizes):
    """The hopper up to its rim: Simpson's rule is exact for a body between two parallel rectangles."""
    top, length, width = sizes["hopper_top_mm"], sizes["inlet_length_mm"], sizes["inlet_width_mm"]
    middle = (top + length) / 2 * (top + width) / 2
    return sizes["hopper_height_mm"] / 6 * (top * top + 4 * middle + length * width) / 1000


def arithmetic(sizes):
    """The lines of the sum, as they stand in the plan and in the guide."""
    large, core, pitch = sizes["screw_outer_diameter_mm"], sizes["screw_core_diameter_mm"], sizes["screw_pitch_mm"]
    fill, density, steps = sizes["fill_share"], sizes["bulk_density_g_per_ml"], sizes["motor_steps_per_turn"]
    turn, step = per_turn_ml(sizes), per_step_g(sizes)
    return [
        f"one turn: π/4 × ({large}² − {core}²) mm² × {pitch} mm × {fill} = {turn * 1000:.0f} mm³ = {turn:.3f} mL",
        f"at {density} g/mL: {turn:.3f} mL × {density} g/mL = {turn * density:.3f} g a turn",
        f"with {steps} steps a turn: {turn * density:.3f} g / {steps} = {step * 1000:.2f} mg a step",
        f"hopper to its rim: {hopper_ml(sizes):.1f} mL × {density} g/mL = {hopper_ml(sizes) * density:.1f} g",
    ]


def number(value):
    return f"{value:g}"


class Section:
    """Places in millimetres, on the sheet."""

    def __init__(self, sheet, left=LEFT, axis=AXIS, scale=SCALE):
        self.sheet, self.left, self.axis, self.scale = sheet, left, axis, scale

    def at(self, x, z):
        return self.left + self.scale * x, self.axis - self.scale * z

    def area(self, points, style="box"):
        self.sheet.area([self.at(x, z) for x, z in points], style)

    def block(self, x0, x1, z0, z1, style="box soft"):
        self.area([(x0, z0), (x1, z0), (x1, z1), (x0, z1)], style)

    def measure(self, a, b, millimetres, shift=0, words="", side=0):
        text = (words + " " if words else "") + number(millimetres)
        self.sheet.dimension(self.at(*a), self.at(*b), text, shift, side)

    def screw(self, sizes, start, end):
        """The screw from the side: its core, and the blade's edges as slanting lines."""
        outer, core = sizes["screw_outer_diameter_mm"] / 2, sizes["screw_core_diameter_mm"] / 2
        pitch = sizes["screw_pitch_mm"]
        edge = sizes["blade_thickness_at_core_mm"] * core / outer
        self.block(start, end, -core, core)
        x = start
        while x + pitch / 2 + edge <= end:
            self.area([(x, outer), (x + edge, outer), (x + pitch / 2 + edge, -outer), (x + pitch / 2, -outer)])
            x += pitch


def plan(sizes):
    """The plan: a section along the screw, the hopper across, and the screw larger with the arithmetic."""
    words = "A hopper above a tube with a screw, its motor at one end, hanging as one piece from a load cell. "
    words += "; ".join(arithmetic(sizes))
    sheet = Sheet(1240, 1050, "Auger feeder: plan with dimensions in millimetres", words)
    sheet.text(30, 36, "Auger feeder: all dimensions in millimetres", "title")
    sheet.text(30, 60, "Section along the screw. Everything grey hangs from the load cell's free end.", "small")
    _side(Section(sheet), sizes)
    _across(Section(sheet, 1050), sizes)
    _detail(Section(sheet, 120, 940, 9), sizes)
    for i, line in enumerate(arithmetic(sizes)):
        sheet.text(600, 900 + 28 * i, line)
    return sheet


def _side(view, sizes):
    sheet = view.sheet
    inner = sizes["screw_outer_diameter_mm"] / 2 + sizes["clearance_mm"]
    outer = inner + sizes["tube_wall_mm"]
    length, wall, plate = sizes["tube_length_mm"], sizes["tube_wall_mm"], sizes["plate_mm"]
    inlet, inlet_end = sizes["inlet_start_mm"], sizes["inlet_start_mm"] + sizes["inlet_length_mm"]
    outlet, outlet_end = sizes["outlet_start_mm"], sizes["outlet_start_mm"] + sizes["outlet_length_mm"]
    edge, drip = sizes["drip_edge_wall_mm"], -outer - sizes["drip_edge_height_mm"]
    middle, half = (inlet + inlet_end) / 2, sizes["hopper_top_mm"] / 2
    rim, skin, face = outer + sizes["hopper_height_mm"], sizes["hopper_wall_mm"], sizes["motor_face_mm"] / 2
    # food, hopper and tube
    share = 0.7
    low, high = middle - inlet, half
    level, reach = outer + share * (rim - outer), low + share * (high - low)
    view.area([(inlet, inner), (middle - reach, level), (middle + reach, level), (inlet_end, inner)], "food")
    for side in (-1, 1):
        foot, top = middle + side * sizes["inlet_length_mm"] / 2, middle + side * half
        view.area([(foot, outer), (top, rim), (top + side * skin, rim), (foot + side * skin, outer)], "box soft")
    for x0, x1, z0, z1 in (
        (0, inlet, inner, outer),
        (inlet_end, length, inner, outer),
        (0, outlet, -outer, -inner),
        (outlet_end, length, -outer, -inner),
        (length - wall, length, -inner, inner),
        (outlet - edge, outlet, drip, -inner),
        (outlet_end, outlet_end + edge, drip, -inner),
    ):
        view.block(x0, x1, z0, z1)
    view.screw(sizes, 0, sizes["screw_length_mm"])
    # coupling chamber, motor and hanger
    chamber = sizes["coupling_length_mm"] + sizes["coupling_play_mm"]
    back = -2 * plate - chamber
    for z0, z1 in ((inner, face), (-face, -inner)):
        view.block(-plate, 0, z0, z1)
    boss = sizes["motor_boss_mm"] / 2
    for z0, z1 in ((boss, face), (-face, -boss)):
        view.block(back, back + plate, z0, z1)
    for z in (face - plate, -face):
        view.block(back + plate, -plate, z, z + plate)
    core = sizes["screw_core_diameter_mm"] / 2
    view.block(-plate, 0, -core, core)
    coupling = sizes["coupling_diameter_mm"] / 2
    view.block(-plate - sizes["coupling_length_mm"], -plate, -coupling, coupling)
    shaft = sizes["shaft_diameter_mm"] / 2
    view.block(back, -plate - sizes["coupling_length_mm"] + sizes["shaft_depth_mm"], -shaft, shaft)
    view.block(back - sizes["motor_length_mm"], back, -face, face)
    hang, thick, top = -plate - chamber / 2, sizes["hanger_thickness_mm"], sizes["cell_above_axis_mm"]
    view.block(hang - thick / 2, hang + thick / 2, face, top)
    view.block(hang - sizes["flange_length_mm"] / 2, hang + sizes["flange_length_mm"] / 2, top - thick, top)
    fixed, free, over = _cell(view, sizes, hang + sizes["flange_length_mm"] / 2)
    # words
    for x, z, text, anchor in (
        (fixed + 54, (top + over) / 2 - 1, "load cell", "start"),
        (fixed + 30, over + 5, "bracket on wall or cabinet, not on the tank", "start"),
        (back - sizes["motor_length_mm"] / 2, 0, "motor", "middle"),
        (hang - 4, 40, "hanger", "end"),
        (middle, outer + 10, "food", "middle"),
        (outlet - 13, drip + 1, "drip edge", "end"),
    ):
        sheet.text(*view.at(x, z), text, "small", anchor)
    gap = f"Nothing within {sizes['free_gap_mm']} mm of what hangs: no wall, no lid, no cable that pulls."
    sheet.text(30, 84, gap, "small")
    # dimensions
    low = drip
    measures = (
        ((0, -outer), (inlet, -outer), sizes["inlet_start_mm"], 60),
        ((inlet, -outer), (inlet_end, -outer), sizes["inlet_length_mm"], 60),
        ((0, low), (outlet, low), sizes["outlet_start_mm"], 80),
        ((outlet, low), (outlet_end, low), sizes["outlet_length_mm"], 80),
        ((0, low), (sizes["screw_length_mm"], low), sizes["screw_length_mm"], 112),
        ((0, low), (length, low), length, 144),
        ((-plate - sizes["coupling_length_mm"], -face), (-plate, -face), sizes["coupling_length_mm"], 50),
        ((back - sizes["motor_length_mm"], -face), (back, -face), sizes["motor_length_mm"], 50),
        ((fixed, over + 9), (free, over + 9), sizes["cell_length_mm"], -40),
        ((middle - half, rim), (middle + half, rim), sizes["hopper_top_mm"], -30),
    )
    for a, b, size, shift in measures:
        view.measure(a, b, size, shift)
    view.measure((length, inner), (length, -inner), 2 * inner, 40)
    view.measure((length, outer), (length, -outer), 2 * outer, 74)
    view.measure((middle + half + skin, rim), (middle + half + skin, outer), sizes["hopper_height_mm"], 40)
    view.measure((back - sizes["motor_length_mm"], face), (back - sizes["motor_length_mm"], -face), 2 * face, -26)
    view.measure((fixed, top), (fixed, 0), top, -70)
    view.measure((fixed, over), (fixed, top), sizes["cell_height_mm"], -26)
    view.measure((outlet - edge, -outer), (outlet - edge, drip), sizes["drip_edge_height_mm"], -26)


def _cell(view, sizes, free):
    """The load cell and the bracket that holds it; returns where the cell ends, left, right and above."""
    top, flange = sizes["cell_above_axis_mm"], sizes["flange_length_mm"]
    fixed, over = free - sizes["cell_length_mm"], top + sizes["cell_height_mm"]
    view.block(fixed, free, top, over, "box")
    for place in (0.44, 0.56):
        x, y = view.at(fixed + place * sizes["cell_length_mm"], (top + over) / 2)
        view.sheet.circle(x, y, 4 * view.scale)
    view.block(fixed, fixed + flange, over, over + 4, "box")
    view.block(fixed - 14, fixed + flange, over + 4, over + 9, "box")
    return fixed, free, over


def _across(view, sizes):
    """The hopper and the tube, looking along the screw."""
    sheet = view.sheet
    inner = sizes["screw_outer_diameter_mm"] / 2 + sizes["clearance_mm"]
    outer = inner + sizes["tube_wall_mm"]
    rim, half, skin = outer + sizes["hopper_height_mm"], sizes["hopper_top_mm"] / 2, sizes["hopper_wall_mm"]
    width = sizes["inlet_width_mm"] / 2
    x, y = view.at(0, 0)
    sheet.circle(x, y, outer * view.scale, "box soft")
    sheet.circle(x, y, inner * view.scale, "box")
    sheet.circle(x, y, sizes["screw_outer_diameter_mm"] / 2 * view.scale, "box soft")
    sheet.circle(x, y, sizes["screw_core_diameter_mm"] / 2 * view.scale)
    throat = [(-width, inner - 1.2), (width, inner - 1.2), (width, outer)]
    view.area([*throat, (half, rim), (-half, rim), (-width, outer)], "box")
    for side in (-1, 1):
        view.area(
            [
                (side * width, outer),
                (side * half, rim),
                (side * (half + skin), rim),
                (side * (width + skin), outer - 2),
            ],
            "box soft",
        )
    view.measure((-half, rim), (half, rim), sizes["hopper_top_mm"], -30)
    view.measure((-width, outer + 3), (width, outer + 3), sizes["inlet_width_mm"], 0)
    sheet.text(x, view.at(0, rim)[1] - 70, "Across the hopper", "name", "middle")


def _detail(view, sizes):
    """The screw, larger."""
    outer, core = sizes["screw_outer_diameter_mm"] / 2, sizes["screw_core_diameter_mm"] / 2
    pitch = sizes["screw_pitch_mm"]
    end = 3.7 * pitch
    view.screw(sizes, 0, end)
    view.sheet.text(*view.at(-9, outer + 6), "The screw: outer diameter, core, pitch", "name")
    view.measure((0, outer), (pitch, outer), pitch, -22)
    view.measure((0, outer), (0, -outer), 2 * outer, -50)
    view.measure((0, core), (0, -core), 2 * core, -20)


def cables():
    """Strain relief and drip loop, as a drawing without scale."""
    sheet = Sheet(
        990,
        560,
        "Drip loops and strain relief",
        "The supply's cable hangs lower than socket and board before it rises to them: water drips off there. "
        "Each cable is clamped to the bracket, from there a slack loop of thin wires goes to what hangs on the cell.",
    )
    sheet.text(30, 36, "Drip loops and strain relief (no scale)", "title")
    sheet.area([(470, 400), (790, 400), (790, 540), (470, 540)], "water")
    sheet.line([(470, 370), (470, 540), (790, 540), (790, 370)])
    sheet.text(630, 480, "tank", "name", "middle")
    sheet.box(30, 90, 130, 70, "box soft")
    sheet.text(95, 120, "5 V supply in", "small", "middle")
    sheet.text(95, 138, "its socket", "small", "middle")
    sheet.box(290, 90, 130, 70, "box soft")
    sheet.text(355, 130, "board in its box", "small", "middle")
    sheet.add('<path class="line" d="M95 160 V300 A40 40 0 0 0 135 340 H280 A40 40 0 0 0 320 300 V160"/>')
    sheet.text(207, 366, "drip loop: its lowest point lies", "small", "middle")
    sheet.text(207, 384, "100 mm below socket and board", "small", "middle")
    sheet.line([(60, 400), (60, 160)], "thin")
    sheet.text(30, 424, "socket and supply: beside the tank,", "small")
    sheet.text(30, 442, "never under it, behind a residual-current device", "small")
    sheet.box(500, 90, 300, 18, "box")
    sheet.text(500, 80, "bracket (fixed)", "small")
    sheet.box(540, 108, 160, 26, "box")
    sheet.text(620, 126, "load cell", "small", "middle")
    sheet.line([(690, 134), (690, 210)])
    sheet.box(630, 210, 130, 60, "box soft")
    sheet.text(695, 245, "hangs on the cell", "small", "middle")
    sheet.add('<path class="line" d="M420 120 A40 40 0 0 0 500 99"/>')
    sheet.box(494, 92, 22, 14, "dot")
    sheet.line([(505, 106), (505, 190)], "thin")
    sheet.text(440, 208, "clamp 1: strain", "small")
    sheet.text(440, 226, "ends here", "small")
    sheet.add('<path class="line" d="M792 106 C910 150 910 330 825 305 S795 240 760 240"/>')
    sheet.box(781, 92, 22, 14, "dot")
    sheet.text(815, 90, "clamp 2", "small")
    sheet.text(815, 335, "slack loop of thin, soft", "small")
    sheet.text(815, 353, "wires: it must neither", "small")
    sheet.text(815, 371, "pull nor push", "small")
    return sheet
