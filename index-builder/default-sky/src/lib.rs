//! The star-index that is part of the program: built once at compile time from the bright-star
//! catalogue, used in place without a copy. A crate of its own, so that it is embedded again
//! only when the catalogue or the builder changes.

/// Alignment that lets stars and tile records be used in place.
#[repr(C, align(128))]
struct Aligned<T: ?Sized>(T);

static DEFAULT: &Aligned<[u8]> =
    &Aligned(*include_bytes!(concat!(env!("OUT_DIR"), "/default.nfsky")));

/// The bytes of the default star-index.
pub fn bytes() -> &'static [u8] {
    &DEFAULT.0
}
