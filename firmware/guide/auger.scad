// An auger feeder whose hopper, screw and motor hang together from a load cell. Two printed parts: the screw with its
// coupling, and the body. The x axis is the screw's, z is up, and x = 0 is where the tube begins. All in millimetres.
// Print the screw upright. The body may have supports outside, none inside the tube. No glue where food passes.

part = "both"; // "screw", "body" or "both"
$fn = 48;

// sizes: begin (written by draw.py from auger.json; change them there)
screw_outer_diameter_mm = 10;
screw_core_diameter_mm = 4;
screw_pitch_mm = 10;
screw_length_mm = 84;
blade_thickness_at_core_mm = 2.4;
clearance_mm = 0.4;
tube_wall_mm = 2;
tube_length_mm = 90;
inlet_start_mm = 10;
inlet_length_mm = 22;
inlet_width_mm = 10;
outlet_start_mm = 72;
outlet_length_mm = 12;
outlet_width_mm = 10;
drip_edge_height_mm = 5;
drip_edge_wall_mm = 1.6;
hopper_top_mm = 36;
hopper_height_mm = 40;
hopper_wall_mm = 1.6;
plate_mm = 4;
coupling_diameter_mm = 12;
coupling_length_mm = 18;
coupling_play_mm = 2;
shaft_diameter_mm = 5;
shaft_depth_mm = 15;
grub_screw_hole_mm = 2.5;
motor_face_mm = 28;
motor_length_mm = 32;
motor_boss_mm = 22;
motor_screw_distance_mm = 23;
motor_screw_hole_mm = 2.7;
bridge_width_mm = 16;
hanger_width_mm = 14;
hanger_thickness_mm = 5;
flange_length_mm = 28;
cell_above_axis_mm = 70;
cell_length_mm = 80;
cell_height_mm = 13;
cell_hole_mm = 4.4;
cell_hole_distance_mm = 15;
free_gap_mm = 10;
fill_share = 0.6;
bulk_density_g_per_ml = 0.4;
motor_steps_per_turn = 200;
// sizes: end

inner = screw_outer_diameter_mm / 2 + clearance_mm;
outer = inner + tube_wall_mm;
chamber = coupling_length_mm + coupling_play_mm;
inlet_middle = inlet_start_mm + inlet_length_mm / 2;
hanger_middle = -plate_mm - chamber / 2;

module along(length, radius) {
    rotate([0, 90, 0]) cylinder(h = length, r = radius);
}

module screw() {
    // A bar that is twisted along its length; its width makes the blade as thick as asked at the core.
    width = blade_thickness_at_core_mm * PI * screw_core_diameter_mm / screw_pitch_mm;
    rotate([0, 90, 0])
        linear_extrude(height = screw_length_mm, twist = -360 * screw_length_mm / screw_pitch_mm,
                       slices = 24 * screw_length_mm / screw_pitch_mm) {
            circle(d = screw_core_diameter_mm);
            intersection() {
                circle(d = screw_outer_diameter_mm);
                translate([0, -width / 2]) square([screw_outer_diameter_mm, width]);
            }
        }
    translate([-plate_mm - 1, 0, 0]) along(plate_mm + 2, screw_core_diameter_mm / 2);
    translate([-plate_mm - coupling_length_mm, 0, 0])
        difference() {
            along(coupling_length_mm, coupling_diameter_mm / 2);
            translate([-1, 0, 0]) along(shaft_depth_mm + 1, shaft_diameter_mm / 2);
            translate([coupling_length_mm / 3, 0, 0]) cylinder(h = coupling_diameter_mm, d = grub_screw_hole_mm);
        }
}

module funnel(grow) {
    hull() {
        translate([inlet_start_mm - grow, -inlet_width_mm / 2 - grow, outer - tube_wall_mm])
            cube([inlet_length_mm + 2 * grow, inlet_width_mm + 2 * grow, 0.1]);
        translate([inlet_middle - hopper_top_mm / 2 - grow, -hopper_top_mm / 2 - grow, outer + hopper_height_mm - 0.1])
            cube([hopper_top_mm + 2 * grow, hopper_top_mm + 2 * grow, 0.1]);
    }
}

module plate(x) {
    translate([x, -motor_face_mm / 2, -motor_face_mm / 2]) cube([plate_mm, motor_face_mm, motor_face_mm]);
}

module body() {
    difference() {
        union() {
            along(tube_length_mm, outer);
            funnel(hopper_wall_mm);
            // the drip edge: water that runs along the tube falls off it and does not reach the food
            translate([outlet_start_mm - drip_edge_wall_mm, -outlet_width_mm / 2 - drip_edge_wall_mm,
                       -outer - drip_edge_height_mm])
                cube([outlet_length_mm + 2 * drip_edge_wall_mm, outlet_width_mm + 2 * drip_edge_wall_mm,
                      outer + drip_edge_height_mm - 1]);
            plate(-plate_mm);
            plate(-2 * plate_mm - chamber);
            // above and below the coupling; its sides stay open for the grub screw and the motor's screws
            for (z = [-motor_face_mm / 2, motor_face_mm / 2 - plate_mm])
                translate([-plate_mm - chamber - 1, -bridge_width_mm / 2, z])
                    cube([chamber + 2, bridge_width_mm, plate_mm]);
            hanger();
        }
        translate([-plate_mm - 1, 0, 0]) along(tube_length_mm - tube_wall_mm + plate_mm + 1, inner);
        funnel(0);
        translate([inlet_start_mm, -inlet_width_mm / 2, 0]) cube([inlet_length_mm, inlet_width_mm, outer]);
        translate([outlet_start_mm, -outlet_width_mm / 2, -outer - drip_edge_height_mm - 1])
            cube([outlet_length_mm, outlet_width_mm, outer + drip_edge_height_mm + 1]);
        // the motor: its boss and its four screws
        translate([-2 * plate_mm - chamber - 1, 0, 0]) along(plate_mm + 2, motor_boss_mm / 2);
        for (y = [-1, 1], z = [-1, 1])
            translate([-2 * plate_mm - chamber - 1, y * motor_screw_distance_mm / 2, z * motor_screw_distance_mm / 2])
                along(plate_mm + 2, motor_screw_hole_mm / 2);
    }
}

module hanger() {
    top = cell_above_axis_mm;
    translate([hanger_middle - hanger_thickness_mm / 2, -hanger_width_mm / 2, motor_face_mm / 2 - 1])
        cube([hanger_thickness_mm, hanger_width_mm, top - motor_face_mm / 2 + 1]);
    difference() {
        translate([hanger_middle - flange_length_mm / 2, -hanger_width_mm / 2, top - hanger_thickness_mm])
            cube([flange_length_mm, hanger_width_mm, hanger_thickness_mm]);
        for (side = [-1, 1])
            translate([hanger_middle + side * cell_hole_distance_mm / 2, 0, top - hanger_thickness_mm - 1])
                cylinder(h = hanger_thickness_mm + 2, d = cell_hole_mm);
    }
}

if (part != "body") screw();
if (part != "screw") body();
