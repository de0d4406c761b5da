//! The quads of one tile, as they lie in the index.

use crate::groups::Groups;
use crate::layout::{
    CODE_BYTES, CODELESS, GROUPED, GROUPED_LOCALS, LOCAL_BITS, local_bits, local_bytes,
};

/// The quads of one tile.
#[derive(Debug, Clone, Copy)]
pub struct Tile<'a> {
    codes: &'a [u8],
    named: Named<'a>,
}

/// How its record names the stars of a quad.
#[derive(Debug, Clone, Copy)]
enum Named<'a> {
    /// Star numbers of the locals; local numbers of the bits stated.
    Plain(&'a [u32], &'a [u8], u32),
    Grouped(Locals<'a>, Groups<'a>),
}

/// The lengths that the head of a tile record states.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Head {
    locals: usize,
    quads: usize,
    /// Bits of a local number, of a plain record.
    bits: u32,
    /// Bytes of the star numbers and of the groups, of a grouped one.
    grouped: Option<[usize; 2]>,
    pub codeless: bool,
}

impl Head {
    /// Bytes of the head of a grouped record; the first eight of any are its first part.
    pub const BYTES: usize = 16;

    /// Of a record in an index of `version` that begins with these two words; `rest` gives the next
    /// two where they are part of the head. `None` where it claims what cannot be.
    pub fn new<E>(
        version: u32,
        [locals, quads]: [u32; 2],
        rest: impl FnOnce() -> Result<[u32; 2], E>,
    ) -> Result<Option<Head>, E> {
        let is_grouped = version >= 4 && locals & GROUPED != 0;
        let codeless = is_grouped && locals & CODELESS != 0;
        let grouped = is_grouped.then(rest).transpose()?;
        let grouped = grouped.map(|lengths| lengths.map(|l| l as usize));
        let locals = match is_grouped {
            true => locals & !(GROUPED | CODELESS),
            false => locals,
        } as usize;
        let quads = quads as usize;
        let bits = local_bits(version, locals);
        let is_sound = match grouped {
            // Twelve bits a quad.
            Some([_, groups]) => locals <= GROUPED_LOCALS && quads <= groups,
            None => bits <= LOCAL_BITS,
        };
        Ok(is_sound.then_some(Head {
            locals,
            quads,
            bits,
            grouped,
            codeless,
        }))
    }

    /// Number of quads.
    pub fn quads(&self) -> usize {
        self.quads
    }

    /// Bytes of the whole record but the zeros at its end.
    pub fn record_bytes(&self) -> Option<usize> {
        let codes = match self.codeless {
            true => 0,
            false => self.quads.checked_mul(CODE_BYTES)?,
        };
        match self.grouped {
            Some([numbers, groups]) => [numbers, codes, groups]
                .iter()
                .try_fold(Head::BYTES, |sum, part| sum.checked_add(*part)),
            None => {
                let numbers = local_bytes(self.bits, self.quads)?;
                let locals = self.locals.checked_mul(4)?;
                [locals, codes, numbers]
                    .iter()
                    .try_fold(8_usize, |sum, part| sum.checked_add(*part))
            }
        }
    }

    /// The tile in a whole record, without its codes where they are left out; `None` where it is
    /// shorter than it claims.
    pub fn tile<'a>(&self, record: &'a [u8]) -> Option<Tile<'a>> {
        let codes = match self.codeless {
            true => 0,
            false => self.quads * CODE_BYTES,
        };
        if let Some([numbers, groups]) = self.grouped {
            let (_, rest) = record.split_at_checked(Head::BYTES)?;
            let (differences, rest) = rest.split_at_checked(numbers)?;
            let (codes, rest) = rest.split_at_checked(codes)?;
            let locals = Locals {
                differences,
                count: self.locals,
            };
            let named = Named::Grouped(locals, Groups(rest.get(..groups)?));
            return Some(Tile { codes, named });
        }
        let (_, rest) = record.split_at_checked(8)?;
        let (locals, rest) = rest.split_at_checked(4 * self.locals)?;
        let (codes, rest) = rest.split_at_checked(codes)?;
        let numbers = rest.get(..local_bytes(self.bits, self.quads)?)?;
        let locals = bytemuck::try_cast_slice(locals).ok()?;
        let named = Named::Plain(locals, numbers, self.bits);
        Some(Tile { codes, named })
    }
}

impl<'a> Tile<'a> {
    pub(crate) const EMPTY: Tile<'static> = Tile {
        codes: &[],
        named: Named::Plain(&[], &[], LOCAL_BITS),
    };

    /// Number of quads.
    pub fn len(&self) -> usize {
        self.codes.len() / CODE_BYTES
    }

    /// True where the tile holds no quad.
    pub fn is_empty(&self) -> bool {
        self.codes.is_empty()
    }

    /// Packed codes in stored order.
    #[inline]
    pub fn codes(&self) -> impl Iterator<Item = u64> + 'a {
        self.codes.chunks_exact(CODE_BYTES).map(six_bytes)
    }

    /// Star numbers A, B, C, D of quad `number`; `None` beyond the end or for a number that the
    /// tile cannot name.
    pub fn stars(&self, number: usize) -> Option<[u32; 4]> {
        if number >= self.len() {
            return None;
        }
        match self.named {
            Named::Plain(locals, numbers, bits) => {
                let place = number * 4 * bits as usize;
                let packed = eight_bytes(numbers.get(place / 8..)?) >> (place % 8);
                let mut stars = [0; 4];
                for (i, star) in stars.iter_mut().enumerate() {
                    let local = packed >> ((3 - i as u32) * bits) & ((1 << bits) - 1);
                    *star = *locals.get(local as usize)?;
                }
                Some(stars)
            }
            Named::Grouped(locals, mut groups) => {
                let mut before = 0;
                let group = groups.find(|group| {
                    before += group.len();
                    before > number
                })?;
                let quad = group.quad(number + group.len() - before)?;
                locals.at(quad)
            }
        }
    }

    /// With codes that its record leaves out.
    pub(crate) fn with_codes(self, codes: &'a [u8]) -> Tile<'a> {
        Tile { codes, ..self }
    }

    /// The locals and groups of a grouped record.
    pub(crate) fn groups(&self) -> Option<(Locals<'a>, Groups<'a>)> {
        match self.named {
            Named::Grouped(locals, groups) => Some((locals, groups)),
            Named::Plain(..) => None,
        }
    }
}

/// Star numbers of the locals of a grouped record.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Locals<'a> {
    differences: &'a [u8],
    count: usize,
}

impl<'a> Locals<'a> {
    /// Appends the numbers of the locals of a tile, ascending.
    pub fn append(bytes: &mut Vec<u8>, stars: &[u32]) {
        let mut before = 0;
        for &star in stars {
            let mut rest = star - before;
            before = star;
            while rest > 0x7f {
                bytes.push(rest as u8 | 0x80);
                rest >>= 7;
            }
            bytes.push(rest as u8);
        }
    }

    /// All of them, as far as they are there.
    pub fn numbers(&self) -> impl Iterator<Item = u32> + 'a {
        let mut bytes = self.differences.iter();
        let mut number = 0_u32;
        let next = move || {
            let (mut difference, mut shift) = (0_u32, 0);
            loop {
                let byte = u32::from(*bytes.next()?);
                // What is beyond 32 bits is damage, and no star has that number.
                difference |= (byte & 0x7f).checked_shl(shift).unwrap_or(0);
                shift += 7;
                if byte < 0x80 {
                    break;
                }
            }
            number = number.wrapping_add(difference);
            Some(number)
        };
        std::iter::from_fn(next).take(self.count)
    }

    /// Star numbers of four locals.
    fn at(&self, locals: [u8; 4]) -> Option<[u32; 4]> {
        let mut found = [None; 4];
        let last = usize::from(locals.into_iter().max()?);
        for (local, number) in self.numbers().take(last + 1).enumerate() {
            for k in 0..4 {
                if usize::from(locals[k]) == local {
                    found[k] = Some(number);
                }
            }
        }
        let [a, b, c, d] = found;
        Some([a?, b?, c?, d?])
    }
}

#[inline]
fn six_bytes(chunk: &[u8]) -> u64 {
    let low = u32::from_le_bytes([chunk[0], chunk[1], chunk[2], chunk[3]]);
    let high = u16::from_le_bytes([chunk[4], chunk[5]]);
    u64::from(high) << 32 | u64::from(low)
}

/// The first eight bytes, or those that are there.
#[inline]
fn eight_bytes(bytes: &[u8]) -> u64 {
    match bytes.first_chunk() {
        Some(whole) => u64::from_le_bytes(*whole),
        None => bytes
            .iter()
            .rev()
            .fold(0, |value, &byte| value << 8 | u64::from(byte)),
    }
}
