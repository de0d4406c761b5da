//! A summary in words.

use super::tally::SENT_ELSEWHERE_ARCMIN;
use super::{RunSummary, Summary};
use crate::mount::compass_word;
use crate::polar::across::Across;
use crate::report::mount::{open, told};
use std::fmt;

impl fmt::Display for Summary {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        write!(f, "{}", count(self.solved, "frame"))?;
        write!(f, " solved of {}", self.lights)?;
        let unsolved: Vec<String> = self
            .unsolved
            .iter()
            .map(|(code, number)| format!("{number} {code}"))
            .collect();
        if !unsolved.is_empty() {
            write!(f, "; unsolved: {}", unsolved.join(", "))?;
        }
        if self.faults > 0 {
            write!(f, "; not readable: {}", self.faults)?;
        }
        writeln!(f)?;
        let kinds: Vec<String> = ["dark", "flat", "bias frame"]
            .iter()
            .zip(self.calibration)
            .filter(|(_, number)| *number > 0)
            .map(|(kind, number)| count(number, kind))
            .collect();
        if !kinds.is_empty() {
            writeln!(f, "left alone: {}", kinds.join(", "))?;
        }
        for run in &self.runs {
            write!(f, "{run}")?;
        }
        self.mounts.iter().try_for_each(|mount| of_mount(mount, f))
    }
}

fn of_mount(mount: &Across, f: &mut fmt::Formatter) -> fmt::Result {
    writeln!(
        f,
        "Mount{}: {} on {}",
        if mount.camera.is_empty() {
            String::new()
        } else {
            format!(", {}", mount.camera)
        },
        count(mount.frames, "frame"),
        count(mount.fields, "field")
    )?;
    for (name, says) in told(mount) {
        writeln!(f, "  {:<16}{says}", name.to_lowercase())?;
    }
    open(mount)
        .iter()
        .try_for_each(|says| writeln!(f, "  {says}"))
}

/// `1 dark`, `3 darks`.
fn count(number: usize, what: &str) -> String {
    match number {
        1 => format!("1 {what}"),
        _ => format!("{number} {what}s"),
    }
}

impl fmt::Display for RunSummary {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        let names: Vec<&str> = [self.target.as_str(), self.camera.as_str()]
            .into_iter()
            .filter(|name| !name.is_empty())
            .collect();
        if names.is_empty() {
            writeln!(f, "{}", count(self.solved, "frame"))?;
        } else {
            writeln!(f, "{}: {}", names.join(", "), count(self.solved, "frame"))?;
        }
        if let Some(drift) = self.drift {
            let direction = compass_word(drift.position_angle_deg);
            let sent = drift.arcmin > SENT_ELSEWHERE_ARCMIN;
            write!(
                f,
                "  {:<15} {:.1} arcmin {direction} from first to last",
                if sent { "sent elsewhere" } else { "drift" },
                drift.arcmin
            )?;
            match drift.hours.filter(|hours| *hours > 0.0 && !sent) {
                Some(hours) => writeln!(
                    f,
                    ", in {hours:.2} h: {:.2} arcmin per hour",
                    drift.arcmin / hours
                )?,
                None => writeln!(f)?,
            }
        }
        if let Some([least, most]) = self.error_arcmin {
            writeln!(f, "  pointing error  {least:.1} to {most:.1} arcmin")?;
        }
        if let Some(px) = self.fwhm_px {
            let on_sky = self
                .fwhm_arcsec
                .map_or(String::new(), |a| format!(" = {a:.1} arcsec"));
            writeln!(f, "  star width      {px:.2} px{on_sky} (FWHM, median)")?;
        }
        Ok(())
    }
}
