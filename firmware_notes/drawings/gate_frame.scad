// One gate of the frame: two posts with hole and slit on a foot. Print this gate twice.
// All lengths are in millimetres. frame.svg shows the same lengths on a sawn frame.
//
//   openscad -o gate_frame.stl gate_frame.scad
//
// Print the gate upright on its foot, in black, without supports, with walls of 1.6 mm or more.

opening = 80;      // between the inner faces of the posts
post_across = 20;  // thickness of a post, the length of its hole
post_along = 40;   // width of a post along the flight
post_height = 80;  // above the foot
beam_height = 52;  // middle of the hole above the foot
hole = 7;          // for D1 and D2
slit_width = 2;    // along the flight
slit_height = 5;
slit_wall = 1.2;   // thickness of the post at the slit
foot = 6;          // thickness of the foot; the track lies on the foot
screw = 4;
mark = 1;          // groove in the middle of the foot; put it on the line of the base

across = opening + 2 * post_across;

module post() {
    difference() {
        translate([0, -post_along / 2, 0]) cube([post_across, post_along, post_height]);
        // The hole comes from outside and ends at the wall with the slit, which faces +x.
        translate([-1, 0, beam_height]) rotate([0, 90, 0])
            cylinder(h = post_across + 1 - slit_wall, d = hole, $fn = 48);
        translate([0, -slit_width / 2, beam_height - slit_height / 2])
            cube([post_across + 1, slit_width, slit_height]);
    }
}

module foot_plate() {
    difference() {
        translate([-across / 2, -post_along / 2, -foot]) cube([across, post_along, foot]);
        for (x = [-1, 1], y = [-1, 1])
            translate([x * (opening / 2 - 6), y * (post_along / 2 - 6), -foot - 1])
                cylinder(h = foot + 2, d = screw, $fn = 32);
        for (x = [-across / 2, across / 2])
            translate([x, 0, -foot / 2]) rotate([0, 0, 45]) cube([mark, mark, foot + 2], center = true);
    }
}

union() {
    foot_plate();
    translate([-across / 2, 0, 0]) post();
    translate([across / 2, 0, 0]) rotate([0, 0, 180]) post();
}
