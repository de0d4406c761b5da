//! The properties of one device, as the server has reported them so far.

use super::xml::{Message, VectorMessage};
use std::collections::{BTreeMap, VecDeque};

/// Remarks of the device that are remembered.
const REMARKS: usize = 20;

/// State of a property.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// At rest.
    Idle,
    /// As it should be.
    Ok,
    /// On its way.
    Busy,
    /// Something went wrong.
    Alert,
}

impl State {
    pub(super) fn of(text: &str) -> Option<State> {
        match text {
            "Idle" => Some(State::Idle),
            "Ok" => Some(State::Ok),
            "Busy" => Some(State::Busy),
            "Alert" => Some(State::Alert),
            _ => None,
        }
    }
}

/// A binary object.
#[derive(Debug, Clone, PartialEq)]
pub struct Blob {
    /// Its format as the ending of a file name: `.fits`, `.fits.z`.
    pub format: String,
    /// Its length before compression as the device states it.
    pub stated_bytes: Option<u64>,
    /// What came; `None` where it is no base64.
    pub bytes: Option<Vec<u8>>,
}

/// A value of a vector.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// A number.
    Number(f64),
    /// A text.
    Text(String),
    /// On is true.
    Switch(bool),
    /// A light.
    Light(State),
    /// A binary object.
    Blob(Blob),
}

/// One property.
#[derive(Debug, Clone, PartialEq)]
pub struct Vector {
    /// Its state.
    pub state: State,
    /// Grows with every message about it.
    pub revision: u64,
    /// Values by name.
    pub members: BTreeMap<String, Value>,
}

/// All properties of a device.
#[derive(Debug, Clone, Default)]
pub struct Properties {
    vectors: BTreeMap<String, Vector>,
    revision: u64,
    remarks: VecDeque<String>,
    /// The server has taken the device away.
    pub is_gone: bool,
}

impl Properties {
    /// The property of that name.
    pub fn vector(&self, name: &str) -> Option<&Vector> {
        self.vectors.get(name)
    }

    /// A number of a property.
    pub fn number(&self, name: &str, member: &str) -> Option<f64> {
        match self.vector(name)?.members.get(member)? {
            Value::Number(number) => Some(*number),
            _ => None,
        }
    }

    /// A text of a property.
    pub fn text(&self, name: &str, member: &str) -> Option<&str> {
        match self.vector(name)?.members.get(member)? {
            Value::Text(text) => Some(text),
            _ => None,
        }
    }

    /// Whether a switch is on.
    pub fn switch(&self, name: &str, member: &str) -> Option<bool> {
        match self.vector(name)?.members.get(member)? {
            Value::Switch(on) => Some(*on),
            _ => None,
        }
    }

    /// Takes a binary object out.
    pub fn take_blob(&mut self, name: &str, member: &str) -> Option<Blob> {
        let members = &mut self.vectors.get_mut(name)?.members;
        match members.remove(member)? {
            Value::Blob(blob) => Some(blob),
            _ => None,
        }
    }

    /// State of a property.
    pub fn state(&self, name: &str) -> Option<State> {
        self.vector(name).map(|vector| vector.state)
    }

    /// Revision of a property, 0 before it was seen.
    pub fn revision(&self, name: &str) -> u64 {
        self.vector(name).map_or(0, |vector| vector.revision)
    }

    /// The latest remark of the device, for people.
    pub fn latest_remark(&self) -> Option<&str> {
        self.remarks.back().map(String::as_str)
    }

    /// How many properties are known.
    pub fn count(&self) -> usize {
        self.vectors.len()
    }

    /// True once the device has begun to describe itself.
    pub fn is_known(&self) -> bool {
        !self.vectors.is_empty()
    }

    /// Takes a message about `device` in.
    pub fn take(&mut self, device: &str, message: Message) {
        match message {
            Message::Vector(vector) if vector.device == device => self.take_vector(vector),
            Message::Deleted { device: of, name } if of == device => match name {
                Some(name) => {
                    self.vectors.remove(&name);
                }
                None => {
                    self.vectors.clear();
                    self.is_gone = true;
                }
            },
            Message::Remark {
                device: Some(of),
                text,
            } if of == device => self.remark(text),
            _ => {}
        }
    }

    fn remark(&mut self, text: String) {
        if self.remarks.len() == REMARKS {
            self.remarks.pop_front();
        }
        self.remarks.push_back(text);
    }

    fn take_vector(&mut self, message: VectorMessage) {
        if let Some(remark) = message.remark {
            self.remark(remark);
        }
        // New values of what was never defined say nothing.
        if !message.defines && !self.vectors.contains_key(&message.name) {
            return;
        }
        self.revision += 1;
        let vector = self.vectors.entry(message.name).or_insert_with(|| Vector {
            state: State::Idle,
            revision: 0,
            members: BTreeMap::new(),
        });
        vector.revision = self.revision;
        vector.state = message.state.unwrap_or(vector.state);
        vector.members.extend(message.members);
    }
}
