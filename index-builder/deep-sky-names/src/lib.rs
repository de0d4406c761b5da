//! Names of galaxies, nebulae and clusters, and where they are.
//!
//! The table is OpenNGC (© Mattia Verga, CC-BY-SA-4.0), changed as `catalogue/README.md` says.

mod find;
mod key;
mod table;

pub use find::{FindError, find};
pub use table::{all, around};

/// One object of the table.
#[derive(Debug, Clone, PartialEq)]
pub struct Object {
    /// Right ascension, ICRS, degrees, 0 to 360.
    pub ra_deg: f64,
    /// Declination, ICRS, degrees.
    pub dec_deg: f64,
    /// What it is, in words: `galaxy`, `open cluster`.
    pub kind: &'static str,
    /// Major axis.
    pub major_arcmin: Option<f64>,
    /// Minor axis.
    pub minor_arcmin: Option<f64>,
    /// Position angle of the major axis, north through east, 0 to 180 (excluded).
    pub position_angle_deg: Option<f64>,
    /// Brightness of the whole, V or else B.
    pub magnitude: Option<f64>,
    /// `M 81;NGC 3031`: the best known first, never empty.
    designations: &'static str,
    /// `Bode's Galaxy`; may be empty.
    popular: &'static str,
}

impl Object {
    /// The name that goes on a label: `M 81`.
    pub fn name(&self) -> &'static str {
        self.designations().next().unwrap_or_default()
    }

    /// All its designations, the best known first.
    pub fn designations(&self) -> impl Iterator<Item = &'static str> + use<> {
        self.designations.split(';')
    }

    /// Its names in plain language.
    pub fn popular_names(&self) -> impl Iterator<Item = &'static str> + use<> {
        self.popular.split(';').filter(|name| !name.is_empty())
    }

    /// `M 81 (Bode's Galaxy)`.
    pub fn title(&self) -> String {
        match self.popular_names().next() {
            Some(popular) => format!("{} ({popular})", self.name()),
            None => self.name().to_owned(),
        }
    }

    /// Stars and what turned out to be nothing else: found by name, seldom what a picture shows.
    /// Objects of Messier's list are never among them.
    pub fn is_minor(&self) -> bool {
        let minor = matches!(self.kind, "star" | "double star" | "other");
        minor && !self.name().starts_with("M ")
    }

    /// Angle between its centre and a position in degrees.
    pub fn separation_deg(&self, [ra_deg, dec_deg]: [f64; 2]) -> f64 {
        // Haversines: exact for small angles (Sinnott 1984, Sky & Telescope 68, 159).
        let half = |from: f64, to: f64| (0.5 * (to - from).to_radians()).sin().powi(2);
        let across = self.dec_deg.to_radians().cos() * dec_deg.to_radians().cos();
        let haversine = half(self.dec_deg, dec_deg) + across * half(self.ra_deg, ra_deg);
        2.0 * haversine.clamp(0.0, 1.0).sqrt().asin().to_degrees()
    }
}
