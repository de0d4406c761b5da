//! The mount's next step in words.

use super::guide::{Direction, EarlierRecord, FocusStarRecord, Place, TargetRecord};
use super::record::Record;
use super::text::{Block, small_angle};

/// The lines on target and what to sync to, earlier framing, and star to focus on.
pub(super) fn guide(block: &mut Block, record: &Record) {
    if let Some(found) = &record.target {
        target(block, found);
    }
    if let (Some(sync), true) = (&record.sync, record.target.is_some()) {
        block.line("Sync to", &format!("{}  J2000", place(&sync.j2000)));
        if let Some(of_date) = &sync.of_date {
            block.line("or", &format!("{}  of date", place(of_date)));
        }
    }
    if let Some(found) = &record.earlier {
        earlier(block, found);
    }
    if let Some(star) = &record.focus_star {
        focus_star(block, star);
    }
}

/// As mounts take it, sexagesimal and in decimals.
fn place(place: &Place) -> String {
    format!(
        "{} {}  ({:.6} h {:+.5} deg)",
        place.ra, place.dec, place.ra_hours, place.dec_deg
    )
}

fn target(block: &mut Block, found: &TargetRecord) {
    let at = &found.position.j2000;
    let name = found.name.as_deref().unwrap_or("the place asked for");
    block.line("Target", &format!("{name}, {} {} (J2000)", at.ra, at.dec));
    let Some(direction) = &found.direction else {
        return;
    };
    let shown = match direction.pixel {
        Some([x, y]) => format!("in the frame, at pixel {x:.1}, {y:.1}"),
        None => format!(
            "not in the frame: {} away, {:.2} frame widths",
            small_angle(direction.separation_arcmin / 60.0),
            direction.separation_frame_widths
        ),
    };
    block.line("", &shown);
    to_go(block, direction);
    altitude(block, found.altitude_deg);
}

/// Which way, on the sky and on the picture.
fn to_go(block: &mut Block, direction: &Direction) {
    let part = |arcmin: f64, [positive, negative]: [&str; 2]| {
        let word = if arcmin < 0.0 { negative } else { positive };
        format!("{} {word}", small_angle(arcmin.abs() / 60.0))
    };
    let frames = |amount: f64, what: &str| format!(" ({:.2} {what})", amount.abs());
    block.line(
        "To go",
        &format!(
            "{} and {}; on the picture {}{} and {}{}",
            part(direction.east_arcmin, ["east", "west"]),
            part(direction.north_arcmin, ["north", "south"]),
            part(direction.right_arcmin, ["to the right", "to the left"]),
            frames(direction.right_frame_widths, "widths"),
            part(direction.up_arcmin, ["up", "down"]),
            frames(direction.up_frame_heights, "heights"),
        ),
    );
}

fn altitude(block: &mut Block, altitude_deg: Option<f64>) {
    if let Some(altitude) = altitude_deg {
        block.line(
            "Altitude",
            &format!("{altitude:.1} deg at the frame's time"),
        );
    }
}

fn earlier(block: &mut Block, found: &EarlierRecord) {
    block.line(
        "Framing",
        &format!(
            "{:.1} % of the picture {} is in this frame",
            found.shown_percent, found.file
        ),
    );
    to_go(block, &found.direction);
    let turn = found.turn_deg;
    let sense = match turn < 0.0 {
        true => "clockwise",
        false => "counter-clockwise",
    };
    let mut words = format!(
        "the camera by {:.2} deg {sense} on the sky, so that its position angle {} by that much",
        turn.abs(),
        if turn < 0.0 { "falls" } else { "grows" }
    );
    if found.mirrored_apart {
        words += "; one of the two pictures is mirrored: no turn makes them alike";
    } else if turn.abs() > 90.0 {
        // After a meridian flip the picture stands on its head, which costs nothing.
        words += &format!(
            "; for the same field upside down by {:.2} deg the other way",
            180.0 - turn.abs()
        );
    }
    block.line("Turn", &words);
    if (found.scale_ratio - 1.0).abs() > 0.001 {
        block.line(
            "Scale",
            &format!("{:.4} times that of the earlier frame", found.scale_ratio),
        );
    }
}

fn focus_star(block: &mut Block, star: &FocusStarRecord) {
    let at = &star.position.j2000;
    block.line(
        "Focus on",
        &format!(
            "{}{}, magnitude {:.1}, {} away: {} {} (J2000)",
            star.name,
            star.in_brackets,
            star.magnitude,
            small_angle(star.direction.separation_arcmin / 60.0),
            at.ra,
            at.dec
        ),
    );
    if let Some(of_date) = &star.position.of_date {
        block.line("", &format!("{} {} (of date)", of_date.ra, of_date.dec));
    }
    to_go(block, &star.direction);
    altitude(block, star.altitude_deg);
}
