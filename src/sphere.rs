//! Vectors on the unit sphere. ICRS, radians unless a name says degrees.

/// Arcseconds in a radian.
pub const ARCSEC_PER_RAD: f64 = 206_264.806_247_096_36;

/// What a pixel of this size spans in the middle of a frame, arcsec, behind a lens of this focal
/// length.
pub fn arcsec_per_px(pixel_um: f64, focal_mm: f64) -> f64 {
    ARCSEC_PER_RAD * 1e-3 * pixel_um / focal_mm
}

/// Scalar product.
#[inline]
pub fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// Vector product.
#[inline]
pub fn cross(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

/// The vector at length 1.
#[inline]
pub fn normalised(a: [f64; 3]) -> [f64; 3] {
    let length = dot(a, a).sqrt();
    a.map(|c| c / length)
}

/// Squared length of the straight line between two points of the unit sphere.
#[inline]
pub fn chord2(a: [f64; 3], b: [f64; 3]) -> f64 {
    let d = [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
    dot(d, d)
}

/// Angle between two vectors, good at any size.
pub fn angle_between(a: [f64; 3], b: [f64; 3]) -> f64 {
    let c = cross(a, b);
    dot(c, c).sqrt().atan2(dot(a, b))
}

/// Longitude (-pi to pi) and latitude.
pub fn longitude_latitude(v: [f64; 3]) -> (f64, f64) {
    (v[1].atan2(v[0]), v[2].atan2(v[0].hypot(v[1])))
}

/// Unit vectors towards east, north and the point itself at RA, Dec in degrees.
pub fn tangent_basis(ra_deg: f64, dec_deg: f64) -> [[f64; 3]; 3] {
    let (sa, ca) = ra_deg.to_radians().sin_cos();
    let (sd, cd) = dec_deg.to_radians().sin_cos();
    [
        [-sa, ca, 0.0],
        [-sd * ca, -sd * sa, cd],
        [cd * ca, cd * sa, sd],
    ]
}

/// Unit vector of RA, Dec in degrees.
pub fn sky_to_vector(ra_deg: f64, dec_deg: f64) -> [f64; 3] {
    tangent_basis(ra_deg, dec_deg)[2]
}

/// RA (0 to 360) and Dec in degrees of a vector of any length.
pub fn vector_to_sky(v: [f64; 3]) -> [f64; 2] {
    let (lon, lat) = longitude_latitude(v);
    let ra = lon.to_degrees().rem_euclid(360.0);
    [if ra >= 360.0 { 0.0 } else { ra }, lat.to_degrees()]
}
