//! All clues of a FITS header.

use super::{Clues, position, scale, site, time, wcs};
use crate::frame::fits::card::Header;

/// Julian date of J2000.
const J2000_JD: f64 = 2_451_545.0;

/// Reads the clues of a frame of `width` x `height` pixels.
pub(crate) fn from_header(header: &Header, width: usize, height: usize) -> Clues {
    let mut remarks = Vec::new();
    let times = time::times(header, &mut remarks);
    let year = times.mid_jd_utc.map(|jd| 2000.0 + (jd - J2000_JD) / 365.25);
    let wcs = wcs::existing(header, width, height);
    let optics = scale::optics(header);
    Clues {
        positions: position::positions(header, wcs.as_ref(), year, &mut remarks),
        scales: scale::scales(
            header,
            &optics,
            wcs.as_ref().map(|(wcs, _)| wcs),
            &mut remarks,
        ),
        focal_length_mm: optics.focal_length_mm,
        pixel_size_um: optics.pixel_size_um,
        mid_jd_utc: times.mid_jd_utc,
        exposure_s: times.exposure_s,
        site: site::site(header, times.start_jd_utc, &mut remarks),
        remarks,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::EquinoxClue;

    fn clues(cards: &[&str]) -> Clues {
        let text: String = cards.iter().map(|c| format!("{c:<80}")).collect();
        from_header(&Header::parse(text.as_bytes()), 650, 500)
    }

    fn first(cards: &[&str]) -> (f64, f64, EquinoxClue) {
        let clues = clues(cards);
        let p = &clues.positions[0];
        (p.ra_deg, p.dec_deg, p.equinox)
    }

    #[test]
    fn bare_numbers_are_degrees_and_perhaps_hours() {
        let c = clues(&["RA      = 12.5", "DEC     = -40.25"]);
        let ra: Vec<f64> = c.positions.iter().map(|p| p.ra_deg).collect();
        assert_eq!(ra, [12.5, 187.5]);
        assert_eq!(c.positions[0].equinox, EquinoxClue::Unstated);
        let c = clues(&["RA      = 12.5 / [deg] pointing", "DEC     = -40.25"]);
        assert_eq!(c.positions.len(), 1);
        let c = clues(&["RA      = 212.5", "DEC     = -40.25"]);
        assert_eq!(c.positions.len(), 1);
    }

    #[test]
    fn sexagesimal_text_counts_hours() {
        let (ra, dec, equinox) = first(&[
            "OBJCTRA = '08 51 20.100'",
            "OBJCTDEC= '-00 30 00'",
            "EQUINOX = 2000.0",
            "EPOCH   = 1951.911",
        ]);
        // 8h51m20.1s = 132.83375 deg.
        assert!((ra - 132.83375).abs() < 1e-9);
        assert_eq!((dec, equinox), (-0.5, EquinoxClue::J2000));
    }

    /// astropy 8.0.2: `SkyCoord(100, 20, unit='deg', frame=FK5(equinox='J1975'))` to
    /// `FK5(equinox='J2000')` gives 100.37009, 19.97539.
    #[test]
    fn other_equinoxes_are_precessed() {
        let (ra, dec, equinox) = first(&["RA      = 100.0", "DEC     = 20.0", "EQUINOX = 1975.0"]);
        assert!((ra - 100.370093).abs() < 2e-4, "{ra}");
        assert!((dec - 19.975386).abs() < 2e-4, "{dec}");
        assert_eq!(equinox, EquinoxClue::J2000);
    }

    #[test]
    fn the_equinox_of_the_year_of_exposure_is_of_date() {
        let cards = [
            "RA = 100.0",
            "DEC = 20.0",
            "EQUINOX = 2017.9",
            "DATE-OBS= '2017-12-20T01:00:00'",
        ];
        assert_eq!(first(&cards), (100.0, 20.0, EquinoxClue::Date));
    }

    /// A mount that counts longitude to the west: RA plus hour angle give sidereal time.
    #[test]
    fn longitude_is_turned_by_sidereal_time() {
        let cards = |longitude| {
            [
                "DATE-OBS= '2017-12-19T18:33:43.317-0700'",
                "EXPTIME = 060.00",
                "RA      =  31.312099",
                "HA      = 330.063740",
                "DEC     =  46.769087",
                "LATITUDE= 31.68",
                longitude,
            ]
        };
        let west = clues(&cards("LONGITUD= 110.88"));
        let site = west.site.map(|s| (s.longitude_deg, s.latitude_deg));
        assert_eq!(site, Some((-110.88, 31.68)));
        assert!(west.remarks.iter().any(|r| r.contains("LONGITUD")));
        let east = clues(&cards("LONGITUD= -110.88"));
        assert_eq!(east.site.map(|s| s.longitude_deg), Some(-110.88));
        assert!(east.remarks.is_empty(), "{:?}", east.remarks);
    }

    #[test]
    fn scale_from_optics_with_and_without_binning() {
        let c = clues(&["FOCALLEN= 250", "XPIXSZ  = 2.9", "XBINNING= 2"]);
        let scales: Vec<f64> = c.scales.iter().map(|s| s.arcsec_per_px).collect();
        // 206.264806 * 2.9 / 250
        assert!((scales[0] - 2.392672).abs() < 1e-5);
        assert!((scales[1] - 2.0 * 2.392672).abs() < 1e-5);
        assert_eq!(
            (c.focal_length_mm, c.pixel_size_um),
            (Some(250.0), Some(2.9))
        );
    }

    /// astropy 8.0.2, `WCS(header).pixel_to_world(325.5, 250.5)` with 1-based pixels.
    #[test]
    fn existing_wcs_is_taken_at_the_centre() {
        let c = clues(&[
            "CTYPE1  = 'RA---TAN'",
            "CTYPE2  = 'DEC--TAN'",
            "CRVAL1  = 31.0",
            "CRVAL2  = 46.5",
            "CRPIX1  = 100.0",
            "CRPIX2  = 50.0",
            "CDELT1  = -0.0014",
            "CDELT2  = 0.0014",
            "CROTA2  = 20.0",
        ]);
        let p = &c.positions[0];
        assert!((p.ra_deg - 30.42793828).abs() < 1e-6, "{}", p.ra_deg);
        assert!((p.dec_deg - 46.65437002).abs() < 1e-6, "{}", p.dec_deg);
        assert_eq!(p.equinox, EquinoxClue::J2000);
        assert!((c.scales[0].arcsec_per_px - 5.04).abs() < 1e-9);
    }

    #[test]
    fn zeros_are_probably_never_set() {
        let c = clues(&[
            "RA = 0",
            "DEC = 0",
            "OBJCTRA = '1 0 0'",
            "OBJCTDEC= '10 0 0'",
        ]);
        assert_eq!(c.positions[0].source, "OBJCTRA/OBJCTDEC");
        assert_eq!(c.remarks.len(), 1);
    }
}
