//! A frame of a request: its file, or its bytes.

use crate::frame::path_of_text;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde::Deserialize;
use std::path::PathBuf;

/// A frame.
#[derive(Debug)]
pub struct Source {
    /// Its name in the answer.
    pub name: String,
    /// Where its bytes are.
    pub from: From,
}

/// Where the bytes of a frame are.
#[derive(Debug)]
pub enum From {
    /// In a file.
    File(PathBuf),
    /// Here.
    Bytes(Vec<u8>),
    /// Behind the line, this number of them.
    Behind(u64),
}

impl Source {
    /// Bytes that come along.
    pub fn bytes(&self) -> u64 {
        match &self.from {
            From::File(_) => 0,
            From::Bytes(bytes) => bytes.len() as u64,
            From::Behind(count) => *count,
        }
    }
}

/// The keys that name a frame.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Along {
    pub file: Option<String>,
    pub base64: Option<String>,
    pub bytes: Option<u64>,
    pub name: Option<String>,
}

impl Along {
    /// The frame, under this name where it has none.
    pub fn source(self, name: &str) -> Result<Source, String> {
        let (otherwise, from) = match (self.file, self.base64, self.bytes) {
            (Some(file), None, None) => {
                let path = path_of_text(&file);
                let path = path.ok_or_else(|| format!("{file:?} is no path of this system"))?;
                (file, From::File(path))
            }
            (None, Some(text), None) => {
                let bytes = STANDARD.decode(text.as_bytes());
                let bytes = bytes.map_err(|fault| format!("\"base64\": {fault}"))?;
                (name.to_owned(), From::Bytes(bytes))
            }
            (None, None, Some(count)) => (name.to_owned(), From::Behind(count)),
            _ => {
                return Err(
                    "name one frame: \"file\": its path, \"base64\": its bytes, or \"bytes\": \
                     how many of them follow the line"
                        .into(),
                );
            }
        };
        Ok(Source {
            name: self.name.unwrap_or(otherwise),
            from,
        })
    }
}
