//! Where earlier frames were found: the first guess for later ones.

use crate::mount::separation_deg;
use crate::solve::Guess;
use crate::track::Row;

/// Commanded positions farther apart than this are two targets.
const SAME_TARGET_DEG: f64 = 1.0;

/// One solved frame.
#[derive(Debug, Clone, PartialEq)]
struct Neighbour {
    number: usize,
    /// Number of its name in [`Neighbours::cameras`].
    camera: usize,
    commanded_deg: Option<[f64; 2]>,
    guess: Guess,
}

/// The solved frames of a night.
#[derive(Debug, Clone, Default)]
pub struct Neighbours {
    /// Every name once.
    cameras: Vec<String>,
    /// By number.
    solved: Vec<Neighbour>,
}

impl Neighbours {
    /// Remembers where the frame of `row` was found, if it was; `number` is its place in the
    /// order of frames.
    pub fn remember(&mut self, number: usize, row: &Row) {
        let (Some([ra_deg, dec_deg]), Some(scale_arcsec_per_px)) =
            (row.centre_deg(), row.scale_arcsec_per_px)
        else {
            return;
        };
        let neighbour = Neighbour {
            number,
            camera: self.camera(&row.camera),
            commanded_deg: row.commanded_deg(),
            guess: Guess {
                ra_deg,
                dec_deg,
                scale_arcsec_per_px,
            },
        };
        let at = self.solved.partition_point(|other| other.number < number);
        self.solved.insert(at, neighbour);
    }

    fn camera(&mut self, name: &str) -> usize {
        let known = self.cameras.iter().position(|other| other == name);
        known.unwrap_or_else(|| {
            self.cameras.push(name.to_owned());
            self.cameras.len() - 1
        })
    }

    /// The guess for a frame of `camera` that claims to point at `commanded_deg`: where the
    /// latest frame with a number below `before` of the same camera was found, unless the two
    /// were sent to different places.
    pub fn guess(
        &self,
        before: usize,
        camera: &str,
        commanded_deg: Option<[f64; 2]>,
    ) -> Option<Guess> {
        let camera = self.cameras.iter().position(|other| other == camera)?;
        let end = self.solved.partition_point(|other| other.number < before);
        let same_target = |other: &&Neighbour| match (other.commanded_deg, commanded_deg) {
            (Some(a), Some(b)) => separation_deg(a, b) < SAME_TARGET_DEG,
            _ => true,
        };
        self.solved[..end]
            .iter()
            .rev()
            .filter(|other| other.camera == camera)
            .find(same_target)
            .map(|other| other.guess)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::track::RowStatus;

    fn row(camera: &str, ra_deg: f64, commanded: Option<f64>) -> Row {
        Row {
            camera: camera.into(),
            status: RowStatus::Solved,
            ra_deg: Some(ra_deg),
            dec_deg: Some(20.0),
            scale_arcsec_per_px: Some(2.0),
            commanded_ra_deg: commanded,
            commanded_dec_deg: commanded.map(|_| 20.0),
            ..Row::default()
        }
    }

    #[test]
    fn the_latest_of_the_same_camera_and_target() {
        let mut night = Neighbours::default();
        // In whatever order they end.
        night.remember(3, &row("a", 53.0, Some(50.0)));
        night.remember(0, &row("a", 10.0, Some(10.0)));
        night.remember(1, &row("b", 11.0, None));
        night.remember(
            2,
            &Row {
                status: RowStatus::Unsolved,
                ..row("a", 12.0, None)
            },
        );
        let ra = |before, camera: &str, commanded: Option<f64>| {
            night
                .guess(before, camera, commanded.map(|ra| [ra, 20.0]))
                .map(|guess| guess.ra_deg)
        };
        assert_eq!(ra(9, "a", None), Some(53.0));
        assert_eq!(ra(9, "a", Some(10.2)), Some(10.0));
        assert_eq!(ra(9, "a", Some(90.0)), None);
        assert_eq!(ra(3, "a", None), Some(10.0));
        assert_eq!(ra(9, "b", Some(90.0)), Some(11.0));
        assert_eq!(ra(1, "b", None), None);
        assert_eq!(ra(9, "c", None), None);
    }
}
