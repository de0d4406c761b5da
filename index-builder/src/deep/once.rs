//! Quads that several bands find: each is written no more often than fields need it.
//!
//! Where the sky has few stars, the brightest of a wide cell are the brightest of the narrow ones
//! in it too, and every band finds the same quads. A frame is compared with all bands that serve
//! its width, so that one of them is enough as long as it serves the same fields.

use super::fields::{Fields, Needs};
use star_index::layout::fields_of_band_deg;

/// The stars of a quad, ascending: places in the list of a band.
pub(super) type Set = [u32; 4];

/// An index is asked for fields somewhat narrower than those it was built for.
const NARROWER: f64 = 0.8;

/// Which bands are enough, for every set of bands that find the same quad. Sets of bands are
/// numbers whose bit `k` stands for band `k`.
#[derive(Debug)]
pub(super) struct Enough(Vec<usize>);

impl Enough {
    pub(super) fn of(needs: &Needs) -> Enough {
        let widths = needs.bands.iter();
        let widths = widths.map(|band| fields_of_band_deg(u32::from(band.thin_depth)));
        Enough::of_widths(&widths.collect::<Vec<_>>(), needs.fields)
    }

    /// As [`Enough::of`], of the widths of field that each band serves, degrees.
    fn of_widths(bands: &[[f64; 2]], fields: Fields) -> Enough {
        let asked = [NARROWER * fields.narrowest_deg, fields.widest_deg];
        // Between two neighbouring ones of these widths nothing changes.
        let mut widths: Vec<f64> = bands.iter().flatten().copied().chain(asked).collect();
        widths.retain(|width| (asked[0]..=asked[1]).contains(width));
        widths.sort_unstable_by(f64::total_cmp);
        let between = widths.windows(2).map(|pair| 0.5 * (pair[0] + pair[1]));
        let widths: Vec<f64> = between.chain(asked).collect();
        let served = |set: usize| -> Vec<bool> {
            let serves = |width: &f64| {
                let mut members = (0..bands.len()).filter(|band| set >> band & 1 == 1);
                members.any(|band| (bands[band][0]..=bands[band][1]).contains(width))
            };
            widths.iter().map(serves).collect()
        };
        let sets = 1_usize << bands.len();
        let served: Vec<Vec<bool>> = (0..sets).map(served).collect();
        // As few as possible; of as many, the narrower ones, which have the smaller tiles.
        let mut by_size: Vec<usize> = (0..sets).collect();
        by_size.sort_by_key(|set| set.count_ones());
        let enough = |set: usize| {
            let mut subsets = by_size.iter().copied().filter(|some| some & !set == 0);
            // The set itself is one of them.
            let found =
                subsets.find(|&some| served[some] == served[set] && (some != 0 || set == 0));
            found.unwrap_or(set)
        };
        Enough((0..sets).map(enough).collect())
    }

    /// Takes from the bands' quads those that other bands hold for them. `number` gives the number
    /// in the index of a star of a band; by it each list is ascending, and stays so.
    pub(super) fn keep(&self, bands: &mut [Vec<Set>], number: impl Fn(usize, u32) -> u32) {
        let head = |bands: &[Vec<Set>], band: usize, at: usize| -> Option<Set> {
            let set = bands[band].get(at)?;
            Some(set.map(|star| number(band, star)))
        };
        let mut next = vec![0; bands.len()];
        let mut kept = vec![0; bands.len()];
        let mut heads: Vec<Option<Set>> = (0..bands.len()).map(|k| head(bands, k, 0)).collect();
        while let Some(least) = heads.iter().flatten().min().copied() {
            let finds =
                |(band, head): (usize, &Option<Set>)| usize::from(*head == Some(least)) << band;
            let found: usize = heads.iter().enumerate().map(finds).sum();
            for band in (0..bands.len()).filter(|band| found >> band & 1 == 1) {
                if self.0[found] >> band & 1 == 1 {
                    bands[band][kept[band]] = bands[band][next[band]];
                    kept[band] += 1;
                }
                next[band] += 1;
                heads[band] = head(bands, band, next[band]);
            }
        }
        for (sets, kept) in bands.iter_mut().zip(kept) {
            sets.truncate(kept);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIELDS: Fields = Fields {
        narrowest_deg: 0.2,
        widest_deg: 1.0,
    };

    fn enough() -> Enough {
        Enough::of(&Needs::of(FIELDS))
    }

    #[test]
    fn every_field_still_finds_a_quad_in_a_band_that_serves_it() {
        let needs = Needs::of(FIELDS);
        let bands = needs.bands.iter();
        let widths: Vec<[f64; 2]> = bands
            .map(|band| fields_of_band_deg(u32::from(band.thin_depth)))
            .collect();
        let Enough(enough) = enough();
        for (set, &some) in enough.iter().enumerate() {
            assert_eq!(some & !set, 0, "{set:b} {some:b}");
            for width in (16..=100).map(|hundredths| f64::from(hundredths) / 100.0) {
                let serves = |set: usize| {
                    let mut members = (0..widths.len()).filter(|band| set >> band & 1 == 1);
                    members.any(|band| (widths[band][0]..=widths[band][1]).contains(&width))
                };
                assert_eq!(serves(set), serves(some), "{set:b} {some:b} {width}");
            }
        }
    }

    /// Of 0.2 to 1 deg the middle band of three serves all, so that the others need not repeat it.
    #[test]
    fn what_all_bands_find_is_kept_in_one() {
        let mut bands = [
            vec![[0, 1, 2, 3], [0, 1, 2, 4], [5, 6, 7, 8]],
            vec![[0, 1, 2, 3], [5, 6, 7, 8]],
            vec![[0, 1, 2, 3], [9, 10, 11, 12]],
        ];
        enough().keep(&mut bands, |_, star| star);
        assert_eq!(bands[0], [[0, 1, 2, 4]]);
        assert_eq!(bands[1], [[0, 1, 2, 3], [5, 6, 7, 8]]);
        assert_eq!(bands[2], [[9, 10, 11, 12]]);
    }
}
