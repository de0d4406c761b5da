//! Pixel to sky and back: the projection of a lens, as a rule gnomonic (TAN), with SIP distortion.
//!
//! Sources: Calabretta & Greisen 2002 (A&A 395, 1077), sections 2 and 5.1; SIP: Shupe et al. 2005
//! (ASP Conf. Ser. 347, 491).

use crate::projection::Projection;
use crate::sphere::{dot, sky_to_vector, tangent_basis, vector_to_sky};

/// Distortion polynomials of the SIP convention: `f(u, v) = sum A_pq u^p v^q`.
#[derive(Debug, Clone, PartialEq)]
pub struct Sip {
    /// Order of A and B.
    pub order: usize,
    /// Forward coefficients of u as (p, q, value).
    pub a: Vec<(usize, usize, f64)>,
    /// Forward coefficients of v.
    pub b: Vec<(usize, usize, f64)>,
    /// Order of AP and BP.
    pub inverse_order: usize,
    /// Inverse coefficients of u.
    pub ap: Vec<(usize, usize, f64)>,
    /// Inverse coefficients of v.
    pub bp: Vec<(usize, usize, f64)>,
}

/// World coordinate system of a zenithal projection, with SIP or without, ICRS.
#[derive(Debug, Clone, PartialEq)]
pub struct Wcs {
    /// Reference pixel, FITS convention (1-based).
    pub crpix: [f64; 2],
    /// Sky position of the reference pixel: RA, Dec in degrees.
    pub crval: [f64; 2],
    /// Degrees per pixel, `[[CD1_1, CD1_2], [CD2_1, CD2_2]]`.
    pub cd: [[f64; 2]; 2],
    /// How the lens lays out directions.
    pub projection: Projection,
    /// Distortion, where the data support it.
    pub sip: Option<Sip>,
}

/// Value of a distortion polynomial at `u, v`, its terms as in [`Sip::a`].
pub fn polynomial(terms: &[(usize, usize, f64)], u: f64, v: f64) -> f64 {
    terms
        .iter()
        .map(|&(p, q, c)| c * u.powi(p as i32) * v.powi(q as i32))
        .sum()
}

impl Wcs {
    /// Place of the FITS pixel (1-based) `x, y` in the plane of the projection, radians.
    fn on_plane(&self, x: f64, y: f64) -> [f64; 2] {
        let (mut u, mut v) = (x - self.crpix[0], y - self.crpix[1]);
        if let Some(sip) = &self.sip {
            (u, v) = (u + polynomial(&sip.a, u, v), v + polynomial(&sip.b, u, v));
        }
        (self.cd).map(|row| (row[0] * u + row[1] * v).to_radians())
    }

    /// ICRS unit vector seen by the FITS pixel (1-based) `x, y`; of a pixel that sees nothing, the
    /// direction behind the camera.
    pub fn pixel_to_vector(&self, x: f64, y: f64) -> [f64; 3] {
        let [e, n, p] = tangent_basis(self.crval[0], self.crval[1]);
        let [xi, eta, ahead] = self.projection.direction(self.on_plane(x, y));
        std::array::from_fn(|i| xi * e[i] + eta * n[i] + ahead * p[i])
    }

    /// Whether the FITS pixel `x, y` sees any of the sphere: beyond the circle of a fisheye there is
    /// none.
    pub fn sees(&self, x: f64, y: f64) -> bool {
        let [xi, eta] = self.on_plane(x, y);
        self.projection.reaches(xi.hypot(eta))
    }

    /// RA (0 to 360) and Dec in degrees seen by the FITS pixel `x, y`.
    pub fn pixel_to_sky(&self, x: f64, y: f64) -> [f64; 2] {
        vector_to_sky(self.pixel_to_vector(x, y))
    }

    /// FITS pixel that sees the ICRS unit vector; `None` behind the camera: for the hemisphere there
    /// where the projection is gnomonic, else for what lies opposite.
    ///
    /// With SIP the inverse polynomial gives a start and fixed-point iteration the rest.
    pub fn vector_to_pixel(&self, w: [f64; 3]) -> Option<[f64; 2]> {
        let [e, n, p] = tangent_basis(self.crval[0], self.crval[1]);
        let seen = [e, n, p].map(|axis| dot(w, axis));
        let [xi, eta] = self.projection.place(seen)?.map(f64::to_degrees);
        let det = self.cd[0][0] * self.cd[1][1] - self.cd[0][1] * self.cd[1][0];
        let fu = (self.cd[1][1] * xi - self.cd[0][1] * eta) / det;
        let fv = (self.cd[0][0] * eta - self.cd[1][0] * xi) / det;
        let (mut u, mut v) = (fu, fv);
        if let Some(sip) = &self.sip {
            u = fu + polynomial(&sip.ap, fu, fv);
            v = fv + polynomial(&sip.bp, fu, fv);
            for _ in 0..20 {
                let (nu, nv) = (fu - polynomial(&sip.a, u, v), fv - polynomial(&sip.b, u, v));
                let step = (nu - u).abs() + (nv - v).abs();
                (u, v) = (nu, nv);
                if step < 1e-9 {
                    break;
                }
                if !step.is_finite() || step > 1e7 {
                    return None;
                }
            }
        }
        Some([u + self.crpix[0], v + self.crpix[1]])
    }

    /// FITS pixel that sees RA, Dec (degrees); `None` behind the camera.
    pub fn sky_to_pixel(&self, ra_deg: f64, dec_deg: f64) -> Option<[f64; 2]> {
        self.vector_to_pixel(sky_to_vector(ra_deg, dec_deg))
    }
}
