//! The bytes of a star-index: part of the program, or copied from a file block by block.
//!
//! A mapped file would do without copies, but ends the process where the file is cut short or
//! overwritten, or its drive goes away. Here that is an error of the block that was asked for.

use crate::layout::BLOCK_BYTES;
use crate::read::IndexError;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::ops::Range;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};

/// Where the bytes are.
enum Source {
    Program(&'static [u8]),
    /// A small file, read when it was opened: whole words, so that it is aligned, and its length.
    Read(Vec<u64>, usize),
    /// Memory as large as the file, which the system provides page by page once it is written to.
    File(Mutex<File>, memmap2::MmapRaw),
}

/// Star-indexes up to this size are read when they are opened.
const READ_BYTES: usize = 16 << 20;

/// The bytes of a star-index, and which blocks of its body are there.
pub(crate) struct Memory {
    source: Source,
    /// What comes before and after the body is there from the beginning.
    body: Range<usize>,
    /// One bit per block of the body: it is there, and its checksum was right.
    verified: Vec<AtomicU64>,
    /// Number of bits set in `verified`.
    touched: AtomicU64,
}

impl Memory {
    pub fn of_program(bytes: &'static [u8]) -> Memory {
        Memory::new(Source::Program(bytes))
    }

    fn new(source: Source) -> Memory {
        let mut memory = Memory {
            source,
            body: 0..0,
            verified: Vec::new(),
            touched: AtomicU64::new(0),
        };
        memory.body = 0..memory.len();
        memory
    }

    /// Of a file of `length` bytes. A small one, as those of a few targets are, is read at once:
    /// it goes on working where its drive goes away.
    pub fn of_file(mut file: File, length: usize) -> Result<Memory, IndexError> {
        if length <= READ_BYTES {
            let mut words = vec![0_u64; length.div_ceil(8)];
            let bytes = &mut bytemuck::cast_slice_mut(&mut words)[..length];
            file.read_exact(bytes)
                .map_err(|e| IndexError::Read(e.to_string()))?;
            return Ok(Memory::new(Source::Read(words, length)));
        }
        let memory = memmap2::MmapOptions::new()
            .len(length)
            .no_reserve_swap()
            .map_anon()
            .map_err(|e| IndexError::Io(e.to_string()))?;
        Ok(Memory::new(Source::File(Mutex::new(file), memory.into())))
    }

    /// Length of the whole.
    pub fn len(&self) -> usize {
        match &self.source {
            Source::Program(bytes) => bytes.len(),
            Source::Read(_, length) => *length,
            Source::File(_, memory) => memory.len(),
        }
    }

    /// Fetches what comes after the body, whose place is `body`.
    pub fn with_body(mut self, body: Range<usize>) -> Result<Memory, IndexError> {
        self.fetch(body.end..self.len())?;
        let blocks = body.len().div_ceil(BLOCK_BYTES);
        self.verified = (0..blocks.div_ceil(64))
            .map(|_| AtomicU64::new(0))
            .collect();
        self.body = body;
        Ok(self)
    }

    /// The first `length` bytes, before the place of the body is known.
    pub fn head(&mut self, length: usize) -> Result<Option<&[u8]>, IndexError> {
        if length > self.len() {
            return Ok(None);
        }
        self.fetch(0..length)?;
        self.body.start = length;
        Ok(self.around(0..length))
    }

    /// Copies a range that nobody else can be reading: `self` is not shared yet.
    fn fetch(&mut self, range: Range<usize>) -> Result<(), IndexError> {
        let Source::File(file, _) = &self.source else {
            return Ok(());
        };
        let mut file = file.lock().unwrap_or_else(PoisonError::into_inner);
        self.copy(&mut file, range)
    }

    /// Bytes before or after the body; `None` where the range lies elsewhere.
    pub fn around(&self, range: Range<usize>) -> Option<&[u8]> {
        let outside = range.end <= self.body.start || range.start >= self.body.end;
        (outside && range.start <= range.end && range.end <= self.len()).then(|| self.at(range))
    }

    /// Bytes of the body, after their blocks were fetched and verified by `checksum`, which is
    /// asked whether the bytes of a block are those that were written.
    pub fn body(
        &self,
        range: Range<usize>,
        is_right: impl Fn(usize, &[u8]) -> bool,
    ) -> Result<&[u8], IndexError> {
        if range.start < self.body.start || range.end < range.start || range.end > self.body.end {
            return Err(IndexError::Damaged("offsets"));
        }
        if range.is_empty() {
            // An empty piece of the whole itself: aligned like any other.
            return Ok(self.at(range));
        }
        let first = (range.start - self.body.start) / BLOCK_BYTES;
        let last = (range.end - 1 - self.body.start) / BLOCK_BYTES;
        for block in first..=last {
            if !self.is_verified(block) {
                self.verify(block, &is_right)?;
            }
        }
        Ok(self.at(range))
    }

    fn is_verified(&self, block: usize) -> bool {
        self.verified[block / 64].load(Ordering::Acquire) & (1 << (block % 64)) != 0
    }

    fn verify(
        &self,
        block: usize,
        is_right: impl Fn(usize, &[u8]) -> bool,
    ) -> Result<(), IndexError> {
        let begin = self.body.start + block * BLOCK_BYTES;
        let range = begin..self.body.end.min(begin + BLOCK_BYTES);
        // Whoever holds the file is the only one to write, and what was verified is in use and not
        // written again.
        let mut file = match &self.source {
            Source::File(file, _) => Some(file.lock().unwrap_or_else(PoisonError::into_inner)),
            _ => None,
        };
        if let Some(file) = &mut file {
            if self.is_verified(block) {
                return Ok(());
            }
            self.copy(file, range.clone())?;
        }
        if !is_right(block, self.at(range)) {
            return Err(IndexError::Damaged("content"));
        }
        let bit = 1 << (block % 64);
        let before = self.verified[block / 64].fetch_or(bit, Ordering::Release);
        // Two threads may have verified it at once; it counts once.
        self.touched
            .fetch_add(u64::from(before & bit == 0), Ordering::Relaxed);
        Ok(())
    }

    /// Number of blocks verified so far.
    pub fn touched(&self) -> u64 {
        self.touched.load(Ordering::Relaxed)
    }

    /// Bytes that are there and are not written any more, or that are being written by whoever
    /// asks.
    #[allow(unsafe_code)]
    fn at(&self, range: Range<usize>) -> &[u8] {
        match &self.source {
            Source::Program(bytes) => &bytes[range],
            Source::Read(words, length) => &bytemuck::cast_slice(words)[..*length][range],
            Source::File(_, memory) => {
                assert!(range.start <= range.end && range.end <= memory.len());
                // SAFETY: within the memory, by the line above. Callers ask for what lies around
                // the body, written before `self` was shared; for verified blocks, never written
                // again; or, holding the file, for the block they have just written themselves.
                unsafe { std::slice::from_raw_parts(memory.as_ptr().add(range.start), range.len()) }
            }
        }
    }

    /// Copies a range of the file to its place.
    #[allow(unsafe_code)]
    fn copy(&self, file: &mut File, range: Range<usize>) -> Result<(), IndexError> {
        let Source::File(_, memory) = &self.source else {
            return Ok(());
        };
        assert!(range.start <= range.end && range.end <= memory.len());
        // SAFETY: within the memory, by the line above. No slice of it exists: callers own `self`
        // alone, or hold the file and copy a block that was not verified, of which nobody else
        // makes one.
        let place = unsafe {
            std::slice::from_raw_parts_mut(memory.as_mut_ptr().add(range.start), range.len())
        };
        let mut read = || {
            file.seek(SeekFrom::Start(range.start as u64))?;
            file.read_exact(place)
        };
        read().map_err(|e| IndexError::Read(e.to_string()))
    }
}
