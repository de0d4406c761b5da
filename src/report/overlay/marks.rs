//! The marks over the frame. Each kind has its own shape, so that no hue needs to be told apart.

use super::canvas::{Canvas, Colour, Pen};

/// Plain white: detections, centre.
pub const WHITE: Colour = [255, 255, 255];
/// Light amber: matched catalogue stars.
pub const AMBER: Colour = [255, 205, 70];
/// Orange, darker than the others: commanded position and arrow.
pub const ORANGE: Colour = [255, 140, 40];
/// Pale sand: deep-sky objects.
pub const SAND: Colour = [255, 225, 190];
/// Warm grey: the grid.
pub const GRID: Colour = [220, 190, 160];

/// A solid line with a dark rim.
pub fn pen(colour: Colour, width: f32) -> Pen {
    Pen {
        colour,
        opacity: 1.0,
        width,
        dash: None,
        rim: true,
    }
}

/// A detection: a thin circle.
pub fn detection(canvas: &mut Canvas, at: [f32; 2], radius: f32, unit: f32) {
    let thin = Pen {
        opacity: 0.85,
        ..pen(WHITE, 1.0 * unit)
    };
    canvas.circle(at, radius, thin);
}

/// Part of the outline of a deep-sky object: long dashes.
pub fn object(canvas: &mut Canvas, line: &[[f32; 2]], unit: f32) {
    let dashed = Pen {
        opacity: 0.9,
        dash: Some([14.0 * unit, 7.0 * unit]),
        ..pen(SAND, 1.4 * unit)
    };
    canvas.line(line, dashed);
}

/// A matched catalogue star: a square on its corner.
pub fn matched_star(canvas: &mut Canvas, [x, y]: [f32; 2], radius: f32, unit: f32) {
    let corners = [
        [x, y - radius],
        [x + radius, y],
        [x, y + radius],
        [x - radius, y],
    ];
    canvas.outline(&corners, pen(AMBER, 1.7 * unit));
}

/// The part of the frame that the matched stars fill: a thin line around it.
pub fn part(canvas: &mut Canvas, corners: [[f32; 2]; 4], unit: f32) {
    canvas.outline(&corners, pen(AMBER, 1.2 * unit));
}

/// A small one, for the legend.
pub fn sample_of_part(canvas: &mut Canvas, at: [f32; 2], unit: f32) {
    part(canvas, rectangle(at, [15.0 * unit, 9.0 * unit]), unit);
}

/// The frame's centre: a cross with an open middle.
pub fn centre(canvas: &mut Canvas, [x, y]: [f32; 2], unit: f32) {
    let (from, to) = (6.0 * unit, 20.0 * unit);
    for [dx, dy] in [[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0f32]] {
        let near = [x + dx * from, y + dy * from];
        let far = [x + dx * to, y + dy * to];
        canvas.line(&[near, far], pen(WHITE, 2.4 * unit));
    }
}

/// The commanded position: two rings and a slanting cross.
pub fn commanded(canvas: &mut Canvas, at: [f32; 2], unit: f32) {
    canvas.circle(at, 17.0 * unit, pen(ORANGE, 2.6 * unit));
    canvas.circle(at, 9.0 * unit, pen(ORANGE, 2.0 * unit));
    let (from, to) = (12.0 * unit, 24.0 * unit);
    for [dx, dy] in [[0.7, 0.7], [-0.7, 0.7], [0.7, -0.7], [-0.7, -0.7f32]] {
        let near = [at[0] + dx * from, at[1] + dy * from];
        let far = [at[0] + dx * to, at[1] + dy * to];
        canvas.line(&[near, far], pen(ORANGE, 2.6 * unit));
    }
}

/// The target that was asked for: two upright squares.
pub fn target(canvas: &mut Canvas, at: [f32; 2], unit: f32) {
    for half in [9.0 * unit, 17.0 * unit] {
        canvas.outline(&rectangle(at, [half, half]), pen(WHITE, 2.2 * unit));
    }
}

/// Corners of an upright rectangle about a place.
pub fn rectangle([x, y]: [f32; 2], [half_width, half_height]: [f32; 2]) -> [[f32; 2]; 4] {
    let signs = [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0f32]];
    signs.map(|[dx, dy]| [x + dx * half_width, y + dy * half_height])
}

/// Part of the border of an earlier frame: dash and long gap, heavy.
pub fn earlier(canvas: &mut Canvas, line: &[[f32; 2]], unit: f32) {
    let dashed = Pen {
        dash: Some([22.0 * unit, 12.0 * unit]),
        ..pen(AMBER, 3.0 * unit)
    };
    canvas.line(line, dashed);
}

/// An arrow from one place to another; `dashed` shafts for the move of the mount.
pub fn arrow(
    canvas: &mut Canvas,
    from: [f32; 2],
    to: [f32; 2],
    colour: Colour,
    unit: f32,
    dashed: bool,
) {
    let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
    let length = dx.hypot(dy);
    if length < 1.0 {
        return;
    }
    let (ux, uy) = (dx / length, dy / length);
    let head = (14.0 * unit).min(length * 0.6);
    let neck = [to[0] - ux * head, to[1] - uy * head];
    let shaft = Pen {
        dash: dashed.then_some([10.0 * unit, 6.0 * unit]),
        ..pen(colour, 2.2 * unit)
    };
    canvas.line(&[from, neck], shaft);
    let half = head * 0.45;
    let tip = [
        to,
        [neck[0] - uy * half, neck[1] + ux * half],
        [neck[0] + uy * half, neck[1] - ux * half],
    ];
    canvas.outline(&tip, pen(colour, 1.5 * unit));
    canvas.fill(&tip, colour);
}
