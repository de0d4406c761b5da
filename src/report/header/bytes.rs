//! Headers as bytes: old cards and new ones, checksums, copies of a file with another header.

use super::cards::{CARD_BYTES, Card, RawCard, contradicts, keyword};
use super::checksum::{Sum, encode_complement};
use crate::frame::fault::Fault;
use crate::frame::fits::{
    self,
    hdu::{BLOCK_BYTES, Hdu, is_end},
};
use crate::frame::source::Source;
use std::fs::File;
use std::io::{self, BufWriter, Read, Seek, SeekFrom, Write};

/// Bytes copied or summed at a time.
const PIECE_BYTES: usize = 1 << 20;

/// The cards of the unit, without END.
pub fn old_cards(source: &Source, hdu: &Hdu) -> Result<Vec<RawCard>, Fault> {
    let mut bytes = vec![0; (hdu.data_start - hdu.start) as usize];
    source.read_exact_at(&mut bytes, hdu.start)?;
    let cards = bytes.as_chunks::<CARD_BYTES>().0;
    Ok(cards
        .iter()
        .take_while(|card| !is_end(&card[..]))
        .copied()
        .collect())
}

/// The old cards without those that are replaced, then the new ones. `None` where a new card
/// cannot be written.
pub fn merged(old: &[RawCard], new: &[Card]) -> Option<Vec<RawCard>> {
    let mut cards: Vec<RawCard> = Vec::with_capacity(old.len() + new.len());
    let mut dropped = false;
    for card in old {
        let name = keyword(card);
        // A CONTINUE belongs to the card before it.
        dropped = if name == "CONTINUE" {
            dropped
        } else {
            let has_value = card.get(8) == Some(&b'=');
            let base = name.split('.').next().unwrap_or_default();
            let replaced = new.iter().any(|n| n.keyword.eq_ignore_ascii_case(&name));
            has_value && (contradicts(base) || replaced)
        };
        if !dropped {
            cards.push(*card);
        }
    }
    // Blank cards at the end are room kept for growth; new cards go before them.
    let end = cards
        .iter()
        .rposition(|c| c.iter().any(|b| *b != b' '))
        .map_or(0, |i| i + 1);
    let new: Option<Vec<RawCard>> = new.iter().map(Card::to_bytes).collect();
    cards.splice(end..end, new?);
    Some(cards)
}

/// The bytes of the header: cards, END, blocks filled up, checksums right where there are any.
pub fn with_checksums(
    source: &Source,
    hdu: &Hdu,
    mut cards: Vec<RawCard>,
) -> Result<Vec<u8>, Fault> {
    let find = |cards: &[RawCard], name: &str| cards.iter().position(|c| keyword(c) == name);
    let (datasum, checksum) = (find(&cards, "DATASUM"), find(&cards, "CHECKSUM"));
    if datasum.is_none() && checksum.is_none() {
        return Ok(to_blocks(&cards));
    }
    let data_sum = sum_of_data(source, hdu)?;
    if let Some(at) = datasum {
        set_text(&mut cards[at], &data_sum.to_string());
    }
    let Some(at) = checksum else {
        return Ok(to_blocks(&cards));
    };
    set_text(&mut cards[at], "0000000000000000");
    let mut sum = Sum::default();
    sum.add(&to_blocks(&cards));
    sum.add_sum(data_sum);
    set_text(&mut cards[at], &encode_complement(sum.fold()));
    Ok(to_blocks(&cards))
}

/// Puts a text into a card, its comment kept.
fn set_text(card: &mut RawCard, text: &str) {
    let header = fits::card::Header::parse(&card[..]);
    let name = keyword(card);
    let comment = header.card(&name).map_or("", |c| c.comment.as_str());
    // The same text in the same place: the card keeps its bytes.
    let same = header.text(&name) == Some(text) && card.get(10) == Some(&b'\'');
    let new = Card::new(&name, text, comment).to_bytes();
    if let (false, Some(new)) = (same, new) {
        *card = new;
    }
}

/// Cards and END, filled up to whole blocks.
pub fn to_blocks(cards: &[RawCard]) -> Vec<u8> {
    let mut bytes = cards.as_flattened().to_vec();
    bytes.extend_from_slice(b"END");
    bytes.resize(bytes.len().next_multiple_of(BLOCK_BYTES as usize), b' ');
    bytes
}

fn sum_of_data(source: &Source, hdu: &Hdu) -> Result<u32, Fault> {
    let end = hdu.data_start + hdu.data_bytes.next_multiple_of(BLOCK_BYTES);
    // A file may lack the fill of its last block.
    let end = source.available(end)?;
    let mut sum = Sum::default();
    let mut piece = vec![0; PIECE_BYTES];
    let mut at = hdu.data_start;
    while at < end {
        let count = (end - at).min(PIECE_BYTES as u64) as usize;
        source.read_exact_at(&mut piece[..count], at)?;
        sum.add(&piece[..count]);
        at += count as u64;
    }
    Ok(sum.fold())
}

/// Copies the file with a new header for the unit `hdu`.
pub fn copy_with(source: &Source, hdu: &Hdu, header: &[u8], out: &mut File) -> io::Result<()> {
    let (Some(file), len) = (source.file(), source.budget().stored()) else {
        return Err(io::ErrorKind::Unsupported.into());
    };
    let mut from: &File = file;
    let mut out = BufWriter::with_capacity(PIECE_BYTES, out);
    from.rewind()?;
    copy_exactly(from, &mut out, hdu.start)?;
    out.write_all(header)?;
    from.seek(SeekFrom::Start(hdu.data_start))?;
    copy_exactly(from, &mut out, len - hdu.data_start)?;
    out.flush()
}

fn copy_exactly(from: &File, to: &mut impl Write, count: u64) -> io::Result<()> {
    match io::copy(&mut from.take(count), to)? {
        copied if copied == count => Ok(()),
        _ => Err(io::ErrorKind::UnexpectedEof.into()),
    }
}
