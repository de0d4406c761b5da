//! What a person should know before acting on a result, one sentence each.

use super::part::matched_part;
use super::record::Subject;
use crate::fit::DateVerdict;
use crate::mount::{
    CommandedPosition, DateDoubt, Equinox, Moment, altitude_of_deg, passes_at_deg, separation_deg,
    sun_altitude_deg, sun_icrs_deg,
};

/// Nearer to the Sun than this asks for a word. Common practice: guides to observing keep
/// telescopes 20 to 30 degrees away from it.
const SUN_NEAR_DEG: f64 = 30.0;

/// The Sun higher than this is not night by anyone's count: the end of civil twilight.
const CIVIL_TWILIGHT_DEG: f64 = -6.0;

/// All cautions of one frame, gravest first.
pub fn cautions(subject: &Subject, found_deg: Option<[f64; 2]>) -> Vec<String> {
    let mut list = Vec::new();
    if let Some(moment) = &subject.moment {
        sun(&mut list, subject, moment, found_deg);
        below(&mut list, subject, moment);
    }
    if let Some(commanded) = subject.commanded {
        equinox(&mut list, commanded, found_deg.is_some());
    }
    if subject.moment.is_none() {
        list.extend(undated(subject, found_deg.is_some()));
    }
    if let Some([left, right, low, high]) = subject.outcome.and_then(matched_part) {
        list.push(format!(
            "The stars that matched fill a part of the frame only (x {left:.0} to {right:.0}, y \
             {low:.0} to {high:.0}): beyond it the position is not proven. Another picture beside it, a \
             landscape, or a lens that bends strongly may be there."
        ));
    }
    list.extend(subject.remarks.iter().cloned());
    list
}

/// What a frame without a date that is believed lacks, and why.
fn undated(subject: &Subject, found: bool) -> Option<String> {
    let solution = subject.outcome.and_then(|o| o.solution.as_ref());
    let years = solution.map(|s| years_words(s.epoch_jyear, s.epoch_sigma_years));
    let Some((moment, doubt)) = &subject.unbelieved else {
        return match years {
            Some(years) => Some(format!(
                "The frame has no usable date, and so there is no position of date, and how far \
                 the Sun is was not checked. Catalogue stars stand where they were in {years}, as \
                 their own motion suggests."
            )),
            // Nothing to point at, nothing to check.
            None => (found || subject.commanded.is_some()).then(|| {
                "The frame has no usable date: how far the Sun is was not checked.".into()
            }),
        };
    };
    let date = moment.iso_utc();
    let (why, clock) = match doubt {
        Some(DateDoubt::LongPast) => (
            " is from before there were digital cameras for everyone".to_owned(),
            "Check the camera's clock",
        ),
        Some(DateDoubt::Future { now_jd_utc }) => {
            let now = Moment::from_jd_utc(*now_jd_utc).map(|now| now.iso_utc());
            let now = now.as_ref().and_then(|now| now.get(..10));
            (
                format!(
                    " lies in the future by the clock of this computer ({})",
                    now.unwrap_or("unknown")
                ),
                "Check both clocks",
            )
        }
        None => (String::new(), "Check the camera's clock"),
    };
    let by_stars = match (solution.map(|s| s.date), years) {
        (Some(DateVerdict::Contradicted), Some(years)) => format!(
            " contradicts the stars' own motion: they stand where they were in {years}. There is \
             no position of date, and how"
        ),
        (Some(_), _) => ", and the stars' own motion cannot tell whether it is right. There is no \
                         position of date, the radius allows for either case, and how"
            .to_owned(),
        (None, _) => ": it is not used, and how".to_owned(),
    };
    let and = if why.is_empty() || !by_stars.starts_with(' ') {
        ""
    } else {
        " and"
    };
    Some(format!(
        "The frame's date, {date},{why}{and}{by_stars} far the Sun is was not checked. {clock}."
    ))
}

/// A Julian year with its standard deviation, in as many digits as that one allows.
fn years_words(jyear: f64, sigma: f64) -> String {
    let digits = match sigma {
        s if s < 0.095 => 2,
        s if s < 9.5 => 1,
        _ => 0,
    };
    // Never nothing.
    let sigma = sigma.max(0.01);
    format!("{jyear:.digits$} (give or take {sigma:.digits$} years)")
}

fn sun(list: &mut Vec<String>, subject: &Subject, moment: &Moment, found_deg: Option<[f64; 2]>) {
    let Some(sun_deg) = sun_icrs_deg(moment) else {
        return;
    };
    let commanded_deg = subject.commanded.map(CommandedPosition::start_deg);
    let target_deg = subject.target.map(|target| target.position_deg);
    let at = |place: Option<[f64; 2]>| place.map(|place| separation_deg(place, sun_deg));
    let on_the_way = |from: Option<[f64; 2]>, to: Option<[f64; 2]>| {
        let (from, to) = from.zip(to)?;
        passes_at_deg(sun_deg, from, to)
    };
    let near = [
        ("the found position", at(found_deg)),
        ("the commanded position", at(commanded_deg)),
        ("the target", at(target_deg)),
        (
            "the straight way between the found and the commanded position",
            on_the_way(commanded_deg, found_deg),
        ),
        (
            "the straight way between the found position and the target",
            on_the_way(found_deg, target_deg),
        ),
    ]
    .into_iter()
    .filter_map(|(name, distance_deg)| Some((name, distance_deg?)))
    .filter(|(_, distance_deg)| *distance_deg < SUN_NEAR_DEG)
    .min_by(|a, b| a.1.total_cmp(&b.1));
    if let Some((name, distance_deg)) = near {
        let distance = match distance_deg {
            d if d < 0.5 => "less than 1".to_owned(),
            d => format!("{d:.0}"),
        };
        list.push(format!(
            "The Sun is {distance} deg from {name} at the frame's time. \
             Sunlight through optics blinds and burns: keep to the rules of your site and of \
             your instrument's maker before you move or look."
        ));
    }
    let altitude_deg = subject
        .site
        .and_then(|site| sun_altitude_deg(moment, &site))
        .filter(|altitude_deg| *altitude_deg > CIVIL_TWILIGHT_DEG);
    if let Some(altitude_deg) = altitude_deg {
        list.push(format!(
            "By its time and site this frame was taken with the Sun at {altitude_deg:+.0} deg \
             altitude. If that is wrong, check the clock, its time zone and the site; if it is \
             right, keep to the rules of your site and of your instrument's maker."
        ));
    }
}

/// What no telescope can be pointed at.
fn below(list: &mut Vec<String>, subject: &Subject, moment: &Moment) {
    let Some(site) = &subject.site else {
        return;
    };
    let places = [
        ("target", subject.target.map(|target| target.position_deg)),
        (
            "commanded position",
            subject.commanded.and_then(|commanded| commanded.icrs_deg),
        ),
    ];
    for (name, place_deg) in places {
        let altitude_deg = place_deg.map(|place| altitude_of_deg(moment, site, place));
        if let Some(altitude_deg) = altitude_deg.filter(|altitude_deg| *altitude_deg < 0.0) {
            list.push(format!(
                "By the frame's time and site the {name} is {:.0} deg below the horizon: a mount \
                 that is sent there may strike its pier or the ground. Check time and site, or wait \
                 until it has risen.",
                altitude_deg.abs().max(1.0)
            ));
        }
    }
}

fn equinox(list: &mut Vec<String>, commanded: &CommandedPosition, solved: bool) {
    if commanded.icrs_deg.is_none() {
        list.push(format!(
            "The commanded position ({}) is of date, and the frame's date is unknown: no \
             pointing error can be given. Give the position as J2000 instead.",
            commanded.source
        ));
    } else if commanded.equinox_assumed && solved {
        list.push(format!(
            "The frame does not say whether its position ({}) is J2000 or of date: J2000 is \
             assumed. If it is of date, the pointing error is off by up to 22 arcmin (2026); say \
             --equinox date.",
            commanded.source
        ));
    }
    debug_assert!(commanded.equinox != Equinox::J2000 || commanded.icrs_deg.is_some());
}
