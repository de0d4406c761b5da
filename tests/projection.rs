//! The projection against astropy 8.0.2 (astropy.wcs, which is WCSLIB): `all_pix2world(x, y, 1)`
//! of a header with exactly the CRPIX, CRVAL, CD and A, B keywords given here, printed to 12
//! decimals. The definitions: TAN, Calabretta & Greisen 2002 (A&A 395, 1077), section 5.1.3; SIP,
//! Shupe et al. 2005 (ASP Conf. Ser. 347, 491).

use nightfix::projection::Projection;
use nightfix::wcs::{Sip, Wcs};

/// A thousandth of a milliarcsecond is far beyond any use; rounding errors stay below it.
const SKY_ERROR_ARCSEC: f64 = 1e-6;
const PIXEL_ERROR: f64 = 1e-6;

/// Distortion without inverse polynomials: the way back is then iteration alone.
fn forward_only(a: Vec<(usize, usize, f64)>, b: Vec<(usize, usize, f64)>) -> Sip {
    Sip {
        order: 3,
        a,
        b,
        inverse_order: 0,
        ap: Vec::new(),
        bp: Vec::new(),
    }
}

/// Angle between two sky positions by the haversine formula, arcsec.
fn apart_arcsec(a: [f64; 2], b: [f64; 2]) -> f64 {
    let [a, b] = [a, b].map(|p| p.map(f64::to_radians));
    let half = ((a[1] - b[1]) / 2.0).sin().powi(2)
        + a[1].cos() * b[1].cos() * ((a[0] - b[0]) / 2.0).sin().powi(2);
    2.0 * half.sqrt().asin().to_degrees() * 3600.0
}

/// Each row: FITS pixel x, y; RA, Dec in degrees.
fn check(wcs: &Wcs, rows: &[[f64; 4]]) {
    for &[x, y, ra_deg, dec_deg] in rows {
        let found = wcs.pixel_to_sky(x, y);
        let off = apart_arcsec(found, [ra_deg, dec_deg]);
        assert!(
            off < SKY_ERROR_ARCSEC,
            "({x}, {y}): {found:?}, {off:e} arcsec off"
        );
        let back = wcs
            .sky_to_pixel(ra_deg, dec_deg)
            .expect("in front of the camera");
        let off_px = (back[0] - x).hypot(back[1] - y);
        assert!(
            off_px < PIXEL_ERROR,
            "({ra_deg}, {dec_deg}): {back:?}, {off_px:e} px off"
        );
    }
}

#[test]
fn a_frame_of_half_a_degree() {
    let wcs = Wcs {
        crpix: [600.5, 400.5],
        crval: [83.633, 22.0145],
        cd: [[-0.00041, 0.00023], [0.00022, 0.000405]],
        projection: Projection::Gnomonic,
        sip: None,
    };
    check(
        &wcs,
        &[
            [1.0, 1.0, 83.798670452096, 21.720732724094],
            [1200.0, 1.0, 83.268844892978, 21.984190786629],
            [1200.0, 800.0, 83.466641430795, 22.308100114374],
            [1.0, 800.0, 83.997308844501, 22.044004572577],
            [600.5, 400.5, 83.633000000000, 22.014500000000],
            [360.0, 560.0, 83.778941612059, 22.026122881227],
        ],
    );
}

#[test]
fn a_mirrored_frame_with_the_north_pole_in_it() {
    let wcs = Wcs {
        crpix: [450.5, 300.5],
        crval: [41.0, 89.55],
        cd: [
            [0.0027311308053, 0.0019123583777],
            [0.0019123583777, -0.0027311308053],
        ],
        projection: Projection::Gnomonic,
        sip: None,
    };
    check(
        &wcs,
        &[
            [1.0, 1.0, 326.273149908628, 88.134280577432],
            [900.0, 1.0, 192.919939988612, 88.609249544707],
            [900.0, 600.0, 118.220409759515, 88.154465638302],
            [1.0, 600.0, 23.890636560954, 87.774503469339],
            [450.5, 300.5, 41.000000000000, 89.550000000000],
            [270.0, 420.0, 27.732668452917, 88.847733772524],
        ],
    );
}

#[test]
fn a_frame_of_fifty_degrees_at_the_south_pole() {
    let wcs = Wcs {
        crpix: [750.5, 500.5],
        crval: [0.12, -89.9],
        cd: [[-0.03, 0.006], [-0.006, -0.03]],
        projection: Projection::Gnomonic,
        sip: None,
    };
    check(
        &wcs,
        &[
            [1.0, 1.0, 44.982193653582, -64.244350191715],
            [1500.0, 1.0, 292.683292982414, -64.276924807953],
            [1500.0, 1000.0, 225.276291211887, -64.385749270806],
            [1.0, 1000.0, 112.298741506430, -64.353045832890],
            [750.5, 500.5, 0.120000000000, -89.900000000000],
            [450.0, 700.0, 111.907834731750, -79.135867845322],
        ],
    );
}

#[test]
fn a_frame_across_right_ascension_zero() {
    let wcs = Wcs {
        crpix: [440.25, 310.75],
        crval: [359.98, -4.3],
        cd: [[9.7e-05, 0.0027765], [0.0027765, -9.7e-05]],
        projection: Projection::Gnomonic,
        sip: None,
    };
    check(
        &wcs,
        &[
            [1.0, 1.0, 359.073484343375, -5.488678157665],
            [900.0, 1.0, 359.163727987613, -2.993381519177],
            [900.0, 600.0, 0.828638734939, -3.051424783843],
            [1.0, 600.0, 0.743847572344, -5.546947836571],
            [440.25, 310.75, 359.980000000000, -4.300000000000],
            [270.0, 420.0, 0.267808129479, -4.783224846058],
        ],
    );
}

#[test]
fn distortion_of_third_order() {
    let wcs = Wcs {
        crpix: [512.0, 384.0],
        crval: [202.4823, 47.1751],
        cd: [
            [0.001290551569736, 0.0005952500786473201],
            [0.00050226382102765, -0.0012644844123757002],
        ],
        projection: Projection::Gnomonic,
        sip: Some(forward_only(
            vec![
                (2, 0, 2.3e-06),
                (1, 1, -5.2e-06),
                (0, 2, 2.3e-06),
                (3, 0, -1.1e-08),
                (2, 1, 4e-10),
                (1, 2, -9.5e-09),
                (0, 3, 1e-10),
            ],
            vec![
                (2, 0, -1.7e-06),
                (1, 1, 6.2e-06),
                (0, 2, -7.2e-06),
                (3, 0, -1.7e-10),
                (2, 1, -1.6e-08),
                (1, 2, -3.8e-10),
                (0, 3, -1.2e-08),
            ],
        )),
    };
    check(
        &wcs,
        &[
            [1.0, 1.0, 201.177115740471, 47.393785770421],
            [1024.0, 1.0, 203.126997882389, 47.915190006815],
            [1024.0, 768.0, 203.778336664041, 46.941591886292],
            [1.0, 768.0, 201.860636958434, 46.439606430677],
            [512.0, 384.0, 202.482300000000, 47.175100000000],
            [307.2, 537.5999999999999, 202.229754377726, 46.878699104626],
        ],
    );
}

#[test]
fn distortion_beside_the_south_pole() {
    let wcs = Wcs {
        crpix: [800.0, 600.0],
        crval: [350.0, -89.97],
        cd: [[-0.0012, 0.0003], [0.0003, 0.0012]],
        projection: Projection::Gnomonic,
        sip: Some(forward_only(
            vec![
                (2, 0, 1e-06),
                (1, 1, 2e-06),
                (0, 2, -3e-06),
                (3, 0, -2e-09),
                (1, 2, -2e-09),
            ],
            vec![
                (2, 0, 2e-06),
                (1, 1, -1e-06),
                (0, 2, 1e-06),
                (2, 1, -2e-09),
                (0, 3, -2e-09),
            ],
        )),
    };
    check(
        &wcs,
        &[
            [1.0, 1.0, 129.961273176384, -88.791944614275],
            [1600.0, 1.0, 238.561769917415, -88.780701310783],
            [1600.0, 1200.0, 311.801585412789, -88.740921100984],
            [1.0, 1200.0, 55.814878355811, -88.751772361339],
            [800.0, 600.0, 350.000000000000, -89.970000000000],
            [480.0, 840.0, 54.024074860755, -89.492519849750],
        ],
    );
}

/// The gnomonic projection shows one hemisphere only.
#[test]
fn what_lies_behind_the_camera_has_no_pixel() {
    let wcs = Wcs {
        crpix: [500.5, 500.5],
        crval: [10.0, 20.0],
        cd: [[-0.001, 0.0], [0.0, 0.001]],
        projection: Projection::Gnomonic,
        sip: None,
    };
    assert_eq!(wcs.sky_to_pixel(190.0, -20.0), None);
    assert_eq!(wcs.sky_to_pixel(190.0, 60.0), None);
    assert!(wcs.sky_to_pixel(10.0, 80.0).is_some());
}

/// Fisheyes: the definitions are in sections 5.1.4, 5.1.6 and 5.1.8 of the paper. Some pixels lie
/// beyond a right angle from the axis.
#[test]
fn fisheyes_of_half_the_sky() {
    let rows = [
        (Projection::Equidistant, FISHEYES[0], FISHEYES[1]),
        (Projection::Stereographic, FISHEYES[2], FISHEYES[3]),
        (Projection::Equisolid, FISHEYES[4], FISHEYES[5]),
    ];
    let cube = -4e-8;
    let sip = forward_only(
        vec![(2, 0, 1e-5), (3, 0, cube), (1, 2, cube)],
        vec![(1, 1, -2e-5), (2, 1, cube), (0, 3, cube)],
    );
    for (projection, plain, distorted) in rows {
        for (sip, sky) in [(None, plain), (Some(sip.clone()), distorted)] {
            let wcs = Wcs {
                crpix: [512.5, 384.5],
                crval: [83.5, 61.25],
                cd: [[-0.12, 0.03], [0.028, 0.121]],
                projection,
                sip,
            };
            let pixels = [
                [512.5, 384.5],
                [1.0, 1.0],
                [1024.0, 30.0],
                [700.25, 700.5],
                [300.0, 768.0],
            ];
            let rows: Vec<[f64; 4]> = pixels
                .iter()
                .zip(sky)
                .map(|([x, y], [ra, dec])| [*x, *y, ra, dec])
                .collect();
            check(&wcs, &rows);
        }
    }
}

/// ARC, STG, ZEA, each without SIP and with it.
const FISHEYES: [[[f64; 2]; 5]; 6] = [
    [
        [83.5, 61.25],
        [122.828582594009, -10.997843054101],
        [18.334383389531, 0.971302238485],
        [301.672848604497, 70.661686433405],
        [198.022874804367, 52.669377098606],
    ],
    [
        [83.5, 61.25],
        [122.024654260951, -9.944399907152],
        [18.509552474788, 2.221737474767],
        [302.404569791262, 70.936754773775],
        [197.957354220752, 52.964237994658],
    ],
    [
        [83.5, 61.25],
        [119.823378433661, -1.767337951185],
        [22.556406289642, 9.324688246730],
        [304.712621703377, 72.615523047078],
        [194.515609652628, 55.736175749587],
    ],
    [
        [83.5, 61.25],
        [119.177974069609, -1.078994438455],
        [22.590209207942, 10.233872656884],
        [305.482982400116, 72.838026903415],
        [194.462043752350, 55.984394889638],
    ],
    [
        [83.5, 61.25],
        [125.448639658166, -18.595718617366],
        [14.924527029474, -5.828034448837],
        [300.146355180492, 69.490780083828],
        [200.001181055397, 50.674188071491],
    ],
    [
        [83.5, 61.25],
        [124.445469950528, -17.123138318523],
        [15.282794761637, -4.201460939880],
        [300.859452417447, 69.799387710257],
        [199.925577731123, 51.003779000517],
    ],
];
