//! Catalogue files of any size, read as a stream of stars whatever their format.

use super::columns::Columns;
use super::fixed::{self, Fixed};
use super::text::{self, TextError};
use super::{CatalogueError, CatalogueStar, extract, fits, index, votable};
use flate2::bufread::MultiGzDecoder;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::PathBuf;

/// A catalogue file and what the user says about it.
#[derive(Debug, Clone)]
pub struct Input {
    /// The file.
    pub path: PathBuf,
    /// Which columns are what, where the file does not say so in a way that is known.
    pub columns: Option<Columns>,
    /// Julian year of its positions, where it does not say.
    pub epoch_jyear: Option<f64>,
}

/// A star together with the epoch of its position.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct InputStar {
    /// The star.
    pub star: CatalogueStar,
    /// Julian year.
    pub epoch_jyear: f64,
}

/// Rows of a file.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct ReadCounts {
    /// All of them.
    pub rows: u64,
    /// Those without a position or a magnitude.
    pub unusable: u64,
}

/// Hands stars on in batches; the taker may say that it wants no more.
pub(super) struct Batches<'a> {
    stars: Vec<InputStar>,
    take: &'a mut dyn FnMut(Vec<InputStar>) -> bool,
    wanted: bool,
}

const BATCH: usize = 1 << 14;

impl<'a> Batches<'a> {
    pub(super) fn new(take: &'a mut dyn FnMut(Vec<InputStar>) -> bool) -> Batches<'a> {
        Batches {
            stars: Vec::with_capacity(BATCH),
            take,
            wanted: true,
        }
    }

    /// False where no more are wanted.
    pub(super) fn push(&mut self, star: InputStar) -> bool {
        self.stars.push(star);
        if self.stars.len() == BATCH {
            self.flush();
        }
        self.wanted
    }

    fn flush(&mut self) {
        if self.wanted && !self.stars.is_empty() {
            let full = std::mem::replace(&mut self.stars, Vec::with_capacity(BATCH));
            self.wanted = (self.take)(full);
        }
    }
}

/// Tells how many bytes pass.
struct Counted<'a, R> {
    inner: R,
    passed: &'a mut dyn FnMut(u64),
}

impl<R: Read> Read for Counted<'_, R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let length = self.inner.read(buffer)?;
        (self.passed)(length as u64);
        Ok(length)
    }
}

impl Input {
    /// A file that says everything about itself.
    pub fn new(path: PathBuf) -> Input {
        Input {
            path,
            columns: None,
            epoch_jyear: None,
        }
    }

    /// What was said about it, for telling one reading of a file from another.
    pub(crate) fn describe(&self) -> String {
        format!("{:?} {:?}", self.columns, self.epoch_jyear)
    }

    /// Reads all stars. `passed` is told how many bytes of the file were read, `take` gets the
    /// stars in batches and returns false to end it early.
    ///
    /// # Errors
    ///
    /// A file that cannot be read, is damaged, or does not say what its columns are.
    pub fn read(
        &self,
        passed: &mut dyn FnMut(u64),
        take: &mut dyn FnMut(Vec<InputStar>) -> bool,
    ) -> Result<ReadCounts, CatalogueError> {
        let file = File::open(&self.path).map_err(|e| self.io(e))?;
        let counted = Counted {
            inner: file,
            passed: &mut *passed,
        };
        let mut plain = BufReader::with_capacity(1 << 18, counted);
        let mut batches = Batches::new(take);
        let head = plain.fill_buf().map_err(|e| self.io(e))?;
        let [packed, an_index, parquet] =
            [&[0x1f, 0x8b][..], &star_index::layout::MAGIC, b"PAR1"].map(|m| head.starts_with(m));
        let counts = if an_index {
            drop(plain);
            index::read(&self.path, &mut batches).map_err(|e| self.damaged(e.to_string()))
        } else if parquet {
            drop(plain);
            self.parquet(passed, &mut batches)
        } else if packed {
            let unpacked = BufReader::with_capacity(1 << 18, MultiGzDecoder::new(plain));
            self.read_unpacked(unpacked, &mut batches)
        } else {
            self.read_unpacked(plain, &mut batches)
        }?;
        batches.flush();
        Ok(counts)
    }

    fn read_unpacked(
        &self,
        mut content: impl BufRead,
        batches: &mut Batches<'_>,
    ) -> Result<ReadCounts, CatalogueError> {
        let head = content.fill_buf().map_err(|e| self.io(e))?;
        if head.is_empty() {
            return Err(self.unknown());
        }
        if head.starts_with(extract::MAGIC) {
            let mut bytes = Vec::new();
            content.read_to_end(&mut bytes).map_err(|e| self.io(e))?;
            return self.extract(&bytes, batches);
        }
        let start = head.trim_ascii_start();
        let (columns, epoch) = (self.columns.as_ref(), self.epoch_jyear);
        if head.starts_with(b"SIMPLE  =") {
            return fits::read(content, columns, epoch, batches).map_err(|e| self.of_text(e));
        }
        if start.starts_with(b"<?xml") || start.starts_with(b"<VOTABLE") {
            return votable::read(content, columns, epoch, batches).map_err(|e| self.of_text(e));
        }
        if head.iter().take(512).any(|&b| b == 0) {
            return Err(self.unknown());
        }
        let first = head.split(|&b| b == b'\n').next().unwrap_or_default();
        if let Some(format) = Fixed::of(first.trim_ascii_end()) {
            return fixed::read(format, content, batches).map_err(|e| self.of_text(e));
        }
        text::read(content, self.columns.as_ref(), self.epoch_jyear, batches)
            .map_err(|error| self.of_text(error))
    }

    #[cfg(feature = "parquet")]
    fn parquet(
        &self,
        passed: &mut dyn FnMut(u64),
        batches: &mut Batches<'_>,
    ) -> Result<ReadCounts, CatalogueError> {
        let (columns, epoch) = (self.columns.as_ref(), self.epoch_jyear);
        super::parquet::read(&self.path, columns, epoch, passed, batches)
            .map_err(|e| self.of_text(e))
    }

    #[cfg(not(feature = "parquet"))]
    fn parquet(
        &self,
        _: &mut dyn FnMut(u64),
        _: &mut Batches<'_>,
    ) -> Result<ReadCounts, CatalogueError> {
        Err(CatalogueError::Columns {
            path: self.path.clone(),
            what: "is Parquet, which this index-builder was built without: build it with \
                   --features parquet"
                .into(),
        })
    }

    fn extract(
        &self,
        bytes: &[u8],
        batches: &mut Batches<'_>,
    ) -> Result<ReadCounts, CatalogueError> {
        let damaged = |what: &str| self.damaged(what.into());
        let catalogue = super::read_extract(bytes).map_err(damaged)?;
        let counts = ReadCounts {
            rows: catalogue.stars.len() as u64,
            unusable: 0,
        };
        let epoch_jyear = catalogue.epoch_jyear;
        for star in catalogue.stars {
            batches.push(InputStar { star, epoch_jyear });
        }
        Ok(counts)
    }

    fn of_text(&self, error: TextError) -> CatalogueError {
        match error {
            TextError::Io(error) if error.kind() == io::ErrorKind::NotFound => self.io(error),
            // A broken gzip stream, bytes that are not text.
            TextError::Io(error) => self.damaged(error.to_string()),
            TextError::Content(what) | TextError::Refused(what) => CatalogueError::Columns {
                path: self.path.clone(),
                what,
            },
        }
    }

    fn io(&self, source: io::Error) -> CatalogueError {
        CatalogueError::Io {
            path: self.path.clone(),
            source,
        }
    }

    fn damaged(&self, what: String) -> CatalogueError {
        CatalogueError::Damaged {
            path: self.path.clone(),
            what,
        }
    }

    fn unknown(&self) -> CatalogueError {
        CatalogueError::Unknown {
            path: self.path.clone(),
        }
    }
}
