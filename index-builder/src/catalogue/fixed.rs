//! Tycho-2 and Hipparcos as the CDS publishes them: `tyc2.dat` (also cut into pieces) and
//! `suppl_1.dat` of I/259, `hip_main.dat` of I/239, `hip2.dat` of I/311. Columns by the ReadMe
//! files of these catalogues; fields are divided by `|`, in I/311 by their place in the line.

use super::text::{TextError, value};
use super::{Batches, CatalogueStar, InputStar, ReadCounts};
use std::io::BufRead;

/// A format, recognised from its first line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fixed {
    /// I/259 main part: mean positions at J2000, observed ones where there is no mean.
    Tycho2,
    /// I/259 supplement 1: positions at J1991.25.
    Tycho2Supplement,
    /// I/239: positions at J1991.25.
    Hipparcos,
    /// I/311: positions at J1991.25, in radians.
    HipparcosNew,
}

/// Julian year of the positions of both missions.
const EPOCH: f64 = 1991.25;

impl Fixed {
    /// The format of a file that begins with this line.
    pub(super) fn of(line: &[u8]) -> Option<Fixed> {
        let fields = line.split(|&b| b == b'|').count();
        let first = line.split(|&b| b == b'|').next().unwrap_or_default();
        let tycho_number = first.len() >= 12
            && first[..12].iter().all(|b| b.is_ascii_digit() || *b == b' ')
            && first[4] == b' '
            && first[10] == b' ';
        match fields {
            32 if tycho_number => Some(Fixed::Tycho2),
            18 if tycho_number => Some(Fixed::Tycho2Supplement),
            70..=90 if first == b"H" => Some(Fixed::Hipparcos),
            1 => {
                let place = |from: usize, to: usize| line.get(from..to).and_then(value);
                let [ra, dec] = [place(15, 28)?, place(29, 42)?];
                let number = line.get(..6).and_then(value)?;
                let sky = (0.0..=7.0).contains(&ra) && dec.abs() <= 1.6 && number >= 1.0;
                (sky && place(129, 136).is_some()).then_some(Fixed::HipparcosNew)
            }
            _ => None,
        }
    }

    /// The star of a line; `None` where position or magnitude is missing.
    fn star(self, line: &[u8]) -> Option<InputStar> {
        if self == Fixed::HipparcosNew {
            let place = |from: usize, to: usize| line.get(from..to).and_then(value);
            let pm = place(51, 59).zip(place(60, 68));
            let position = [place(15, 28)?.to_degrees(), place(29, 42)?.to_degrees()];
            return star(position, pm, place(129, 136)?, place(152, 158), EPOCH);
        }
        let fields: Vec<&[u8]> = line.split(|&b| b == b'|').collect();
        let at = |place: usize| fields.get(place).copied().and_then(value);
        match self {
            Fixed::Tycho2 => {
                let (mag, bv) = johnson(at(17), at(19))?;
                match at(2).zip(at(3)) {
                    Some((ra, dec)) => star([ra, dec], at(4).zip(at(5)), mag, bv, 2000.0),
                    // No mean position: the one observed, at its own epoch.
                    None => {
                        let epoch = 1990.0 + at(26)?;
                        star([at(24)?, at(25)?], None, mag, bv, epoch)
                    }
                }
            }
            Fixed::Tycho2Supplement => {
                let (mag, bv) = johnson(at(11), at(13))?;
                star([at(2)?, at(3)?], at(4).zip(at(5)), mag, bv, EPOCH)
            }
            Fixed::Hipparcos | Fixed::HipparcosNew => {
                star([at(8)?, at(9)?], at(12).zip(at(13)), at(5)?, at(37), EPOCH)
            }
        }
    }
}

/// V and B-V from B_T and V_T, by note 7 of the ReadMe of I/259; either band where the other is
/// missing.
fn johnson(bt: Option<f64>, vt: Option<f64>) -> Option<(f64, Option<f64>)> {
    match (bt, vt) {
        (Some(bt), Some(vt)) => Some((vt - 0.090 * (bt - vt), Some(0.850 * (bt - vt)))),
        (bt, vt) => Some((vt.or(bt)?, None)),
    }
}

fn star(
    [ra_deg, dec_deg]: [f64; 2],
    pm: Option<(f64, f64)>,
    mag: f64,
    bv: Option<f64>,
    epoch_jyear: f64,
) -> Option<InputStar> {
    let sound = (0.0..=360.0).contains(&ra_deg) && dec_deg.abs() <= 90.0;
    sound.then_some(InputStar {
        star: CatalogueStar {
            ra_deg,
            dec_deg,
            pm_mas_yr: pm.map_or([0.0; 2], |(ra, dec)| [ra, dec]),
            mag,
            bv,
        },
        epoch_jyear,
    })
}

/// Reads a file of this format.
pub(super) fn read(
    format: Fixed,
    mut text: impl BufRead,
    batches: &mut Batches<'_>,
) -> Result<ReadCounts, TextError> {
    let mut counts = ReadCounts::default();
    let mut line = Vec::new();
    loop {
        line.clear();
        if text.read_until(b'\n', &mut line)? == 0 {
            return Ok(counts);
        }
        let end = line.trim_ascii_end().len();
        if end == 0 {
            continue;
        }
        counts.rows += 1;
        if Fixed::of(&line[..end]) != Some(format) && format != Fixed::HipparcosNew {
            let what = format!("line {} is no row of this catalogue", counts.rows);
            return Err(TextError::Content(what));
        }
        match format.star(&line[..end]) {
            Some(star) => {
                if !batches.push(star) {
                    return Ok(counts);
                }
            }
            None => counts.unusable += 1,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first record of `tyc2.dat`, TYC 1-8-1, as the ReadMe of I/259 describes its fields
    /// (values from memory); the position of date J2000 and V by the ReadMe's formula.
    #[test]
    fn a_record_of_tycho_2() {
        let line = "0001 00008 1| |  2.31750494|  2.23184345|  -16.3|   -9.0| 68| 73| 1.7| 1.8|\
                    1958.89|1951.94| 4|1.0|1.0|0.9|1.0|12.146|0.158|12.146|0.223|999| |         |\
                      2.31754222|  2.23186444|1.67|1.54| 88.0|100.8| |-0.2";
        let format = Fixed::of(line.as_bytes()).unwrap();
        assert_eq!(format, Fixed::Tycho2);
        let star = format.star(line.as_bytes()).unwrap();
        assert_eq!(star.epoch_jyear, 2000.0);
        assert_eq!(
            [star.star.ra_deg, star.star.dec_deg],
            [2.31750494, 2.23184345]
        );
        assert_eq!(star.star.pm_mas_yr, [-16.3, -9.0]);
        assert!((star.star.mag - 12.146).abs() < 1e-9);
        let observed = line.replacen(
            "|  2.31750494|  2.23184345|",
            "|            |            |",
            1,
        );
        let star = format.star(observed.as_bytes()).unwrap();
        assert_eq!((star.star.ra_deg, star.epoch_jyear), (2.31754222, 1991.67));
    }

    /// Sirius, HIP 32349: V -1.44, J1991.25 position 101.28854, -16.71314, proper motion -546.01,
    /// -1223.08 (I/239); 1.767 793 50, -0.291 751 33 rad, -546.01, -1223.07, Hp -1.0876 (I/311),
    /// from memory. Both put it in one place.
    #[test]
    fn one_star_in_both_hipparcos_catalogues() {
        let mut fields = vec![""; 78];
        for (place, text) in [
            (0, "H"),
            (1, "       32349"),
            (5, "-1.44"),
            (8, "101.28854105"),
            (9, "-16.71314306"),
            (12, " -546.01"),
            (13, "-1223.08"),
            (37, " 0.009"),
        ] {
            fields[place] = text;
        }
        let old = fields.join("|");
        assert_eq!(Fixed::of(old.as_bytes()), Some(Fixed::Hipparcos));
        let old = Fixed::Hipparcos.star(old.as_bytes()).unwrap();
        let mut line = vec![b' '; 276];
        for (from, text) in [
            (0, " 32349"),
            (15, " 1.7677943504"),
            (29, "-0.2917000371"),
            (51, " -546.01"),
            (60, "-1223.07"),
            (129, "-1.0876"),
            (152, " 0.009"),
        ] {
            line[from..from + text.len()].copy_from_slice(text.as_bytes());
        }
        assert_eq!(Fixed::of(&line), Some(Fixed::HipparcosNew));
        let new = Fixed::HipparcosNew.star(&line).unwrap();
        assert_eq!([old.epoch_jyear, new.epoch_jyear], [1991.25; 2]);
        assert_eq!((old.star.mag, new.star.bv), (-1.44, Some(0.009)));
        assert!((old.star.ra_deg - new.star.ra_deg).abs() < 2e-3);
        assert!((old.star.dec_deg - new.star.dec_deg).abs() < 2e-3);
        assert!((old.star.pm_mas_yr[1] - new.star.pm_mas_yr[1]).abs() < 0.1);
    }

    #[test]
    fn other_lines_are_none_of_them() {
        for line in ["ra,dec,mag", "1|2|3", "", "H|1|2", "source_id|ra|dec"] {
            assert_eq!(Fixed::of(line.as_bytes()), None, "{line}");
        }
    }
}
