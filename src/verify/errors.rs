//! How far a star may be found from where it is predicted: measurement errors as a mixture of a
//! small and a large one.

use crate::sphere::ARCSEC_PER_RAD;

/// Share of measurements with the small error; the others have the large one.
const TIGHT_SHARE: f64 = 0.7;
/// Systematic centroid error beside the one stated with each detection, pixels.
const FLOOR_PX: f64 = 0.08;
/// Catalogue position error, arcsec per axis: positions to 0.0001 deg (0.1 arcsec rms) and
/// proper motion errors of some mas/yr over decades.
const CATALOGUE_ARCSEC: f64 = 0.2;

/// Measurement errors of one frame at one scale.
#[derive(Debug, Clone, Copy)]
pub struct Errors {
    /// Of catalogue positions, pixels per axis.
    pub catalogue_px: f64,
    /// Of measurements gone astray (blends, undersampling), pixels per axis.
    pub loose_px: f64,
    /// Random distortion, relative to a distance.
    pub distortion: f64,
}

impl Errors {
    /// Of a frame with this focal length (pixels), typical star width and random distortion
    /// (relative to a distance).
    pub fn at_scale(focal_px: f64, fwhm_px: f64, distortion: f64) -> Errors {
        let catalogue_px = CATALOGUE_ARCSEC / ARCSEC_PER_RAD * focal_px;
        Errors {
            catalogue_px,
            loose_px: (0.3 + 0.2 * fwhm_px).hypot(2.0 * catalogue_px),
            distortion,
        }
    }

    /// Variances of a detection's place, per axis: small as a rule, else large.
    pub fn of_spot(&self, sigma_px: f64) -> [f64; 2] {
        let tight = sigma_px.powi(2) + FLOOR_PX.powi(2);
        [tight, tight + self.loose_px.powi(2)]
    }
}

/// Density of a residual, in parts for the small and the large variance of the detection; the
/// prediction has the covariance (xx, xy, yy). `None` where that is not a covariance.
pub fn shares(predicted: [f64; 3], variances: [f64; 2], residual: [f64; 2]) -> Option<[f64; 2]> {
    let density = |variance: f64| {
        let [xx, xy, yy] = predicted;
        Gauss::new([xx + variance, xy, yy + variance]).map(|gauss| gauss.density(residual))
    };
    Some([
        TIGHT_SHARE * density(variances[0])?,
        (1.0 - TIGHT_SHARE) * density(variances[1])?,
    ])
}

/// The variance to be expected where the small one has this share.
pub fn mixed(share: f64, [tight, loose]: [f64; 2]) -> f64 {
    share * tight + (1.0 - share) * loose
}

/// A two-dimensional normal distribution about zero.
pub struct Gauss {
    inverse: [f64; 3],
    peak: f64,
}

impl Gauss {
    /// Of covariance xx, xy, yy; `None` where that is not the covariance of anything: not finite or
    /// not positive definite.
    pub fn new([xx, xy, yy]: [f64; 3]) -> Option<Gauss> {
        let det = xx * yy - xy * xy;
        (xx > 0.0 && yy > 0.0 && det > 0.0 && det.is_finite()).then(|| Gauss {
            inverse: [yy / det, -xy / det, xx / det],
            peak: 1.0 / (2.0 * std::f64::consts::PI * det.sqrt()),
        })
    }

    pub fn chi2(&self, [x, y]: [f64; 2]) -> f64 {
        self.inverse[0] * x * x + 2.0 * self.inverse[1] * x * y + self.inverse[2] * y * y
    }

    pub fn density(&self, at: [f64; 2]) -> f64 {
        self.peak * (-0.5 * self.chi2(at)).exp()
    }

    /// Area within which the squared distance, in sigma, is below `chi2`.
    pub fn area_within(&self, chi2: f64) -> f64 {
        0.5 * chi2 / self.peak
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Predicted variances of -3414 square pixels with a positive determinant: the density
    /// grew without end with the distance.
    #[test]
    fn what_is_no_covariance_has_no_density() {
        for bad in [
            [-3414.0, 1.0, -20.0],
            [1.0, 2.0, 1.0],
            [f64::INFINITY, 0.0, 1.0],
            [f64::NAN, 0.0, 1.0],
            [0.0, 0.0, 1.0],
        ] {
            assert!(Gauss::new(bad).is_none(), "{bad:?}");
        }
    }

    #[test]
    fn the_density_of_a_normal_distribution() {
        let gauss = Gauss::new([4.0, 0.0, 4.0]).unwrap();
        // exp(-1/2) / (2 pi 4)
        assert!((gauss.density([2.0, 0.0]) - 0.024_133).abs() < 1e-6);
        // A circle of radius 2 sigma = 4.
        assert!((gauss.area_within(4.0) - std::f64::consts::PI * 16.0).abs() < 1e-9);
    }
}
