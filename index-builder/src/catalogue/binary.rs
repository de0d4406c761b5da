//! Numbers in binary rows, most significant byte first: FITS binary tables and VOTable streams.

/// A number in a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Number {
    Byte,
    Short,
    Int,
    Long,
    Float,
    Double,
}

impl Number {
    pub(super) fn bytes(self) -> usize {
        match self {
            Number::Byte => 1,
            Number::Short => 2,
            Number::Int | Number::Float => 4,
            Number::Long | Number::Double => 8,
        }
    }

    /// The number that begins at a place of a row.
    pub(super) fn at(self, row: &[u8], place: usize) -> Option<f64> {
        let bytes = row.get(place..place + self.bytes())?;
        Some(match self {
            Number::Byte => f64::from(bytes[0]),
            Number::Short => f64::from(i16::from_be_bytes(bytes.try_into().ok()?)),
            Number::Int => f64::from(i32::from_be_bytes(bytes.try_into().ok()?)),
            Number::Long => i64::from_be_bytes(bytes.try_into().ok()?) as f64,
            Number::Float => f64::from(f32::from_be_bytes(bytes.try_into().ok()?)),
            Number::Double => f64::from_be_bytes(bytes.try_into().ok()?),
        })
    }
}
