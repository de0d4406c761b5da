//! The keys of a request, as they stand on its line.

use serde::Deserialize;
use serde_json::Value;

/// The keys of a request.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Keys {
    #[allow(
        dead_code,
        reason = "read before the others, and a key that is allowed"
    )]
    pub id: Option<Value>,
    #[serde(rename = "do", default)]
    pub action: Action,
    pub which: Option<Value>,
    pub file: Option<String>,
    pub base64: Option<String>,
    pub bytes: Option<u64>,
    pub name: Option<String>,
    pub at: Option<String>,
    pub equinox: Option<EquinoxKey>,
    pub within_deg: Option<f64>,
    pub focal_length_mm: Option<f64>,
    pub pixel_size_um: Option<f64>,
    pub scale_arcsec_per_px: Option<f64>,
    pub ignore_header: Option<bool>,
    pub time_limit_s: Option<f64>,
    pub target: Option<String>,
    pub focus_star: Option<String>,
    pub files: Option<Vec<Value>>,
    pub adjusted: Option<Value>,
    pub site_deg: Option<[f64; 2]>,
    pub pressure_hpa: Option<f64>,
    pub temperature_c: Option<f64>,
    pub pole: Option<PoleKey>,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum PoleKey {
    True,
    Refracted,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum Action {
    #[default]
    Solve,
    Polar,
    Cancel,
}

#[derive(Debug, Clone, Copy, Deserialize)]
pub(super) enum EquinoxKey {
    #[serde(rename = "j2000", alias = "J2000")]
    J2000,
    #[serde(rename = "date")]
    Date,
}

impl Keys {
    /// A key that only a request for the polar axis has.
    pub fn of_polar_alone(&self) -> Option<&'static str> {
        let given = [
            ("files", self.files.is_some()),
            ("adjusted", self.adjusted.is_some()),
            ("site_deg", self.site_deg.is_some()),
            ("pressure_hpa", self.pressure_hpa.is_some()),
            ("temperature_c", self.temperature_c.is_some()),
            ("pole", self.pole.is_some()),
        ];
        given.iter().find(|(_, given)| *given).map(|(key, _)| *key)
    }
}
