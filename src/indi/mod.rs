//! The INDI protocol, version 1.7, as a client: XML over TCP (E. Downey, "INDI: Instrument-Neutral
//! Distributed Interface", white paper, 2007).
//!
//! A device describes itself by properties: vectors of numbers, texts, switches, lights or binary
//! objects, each with a state. A client reads them and asks for new values; what came of it shows
//! in the state. [`Connection`] keeps the properties of one device as the server reports them.
//!
//! Everything has an end: connecting, sending and waiting by a time, messages by their size. Knows
//! nothing of telescopes or cameras.

mod address;
mod command;
mod connection;
mod properties;
mod xml;

pub use address::{Address, AddressError, DEFAULT_PORT};
pub use command::{Command, numbers, switches};
pub use connection::{Connection, IndiError, Waited};
pub use properties::{Blob, Properties, State, Value, Vector};
pub use xml::{Kind, Limits, Message, MessageReader, ReadError, VectorMessage, parse_number};
