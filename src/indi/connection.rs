//! A connection to one device of a server.

use super::address::Address;
use super::command::{Command, describe, want_blobs};
use super::properties::Properties;
use super::xml::{Limits, MessageReader};
use std::io::{self, Write};
use std::net::{Shutdown, TcpStream, ToSocketAddrs};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// To connect, for each of the host's numbers.
const CONNECT: Duration = Duration::from_secs(4);
/// To hand a command to the network.
const SEND: Duration = Duration::from_secs(4);
/// For a device to describe itself. Servers answer at once, a driver that starts up may not.
const DESCRIBE: Duration = Duration::from_secs(8);

/// After so long without a new property a device has described itself.
const QUIET: Duration = Duration::from_millis(250);

/// Why a device cannot be talked to; one sentence for the user.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum IndiError {
    /// There is no server.
    #[error("no INDI server at {host}:{port} ({what}): start it, or check host and port")]
    NoServer {
        /// Its computer.
        host: String,
        /// Its port.
        port: u16,
        /// What the system said.
        what: String,
    },
    /// The server has no such device.
    #[error("the server has no device '{device}': check its name, and that its driver runs")]
    NoDevice {
        /// The device.
        device: String,
    },
    /// The connection broke.
    #[error("the connection to {device} is lost: {what}")]
    Lost {
        /// The device.
        device: String,
        /// What happened.
        what: String,
    },
}

/// What came of waiting.
#[derive(Debug, Clone, PartialEq)]
pub enum Waited<T> {
    /// What was waited for.
    Found(T),
    /// The time is over.
    TimeOver,
}

#[derive(Default)]
struct Known {
    properties: Properties,
    /// Why nothing more will come.
    lost: Option<String>,
}

struct Shared {
    known: Mutex<Known>,
    changed: Condvar,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Known> {
        self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// One device of a server. A thread reads what comes; it ends with the connection.
pub struct Connection {
    address: Address,
    stream: TcpStream,
    shared: Arc<Shared>,
    reader: Option<JoinHandle<()>>,
}

impl Connection {
    /// Connects and has the device describe itself.
    ///
    /// # Errors
    ///
    /// There is no server, or it does not know the device.
    pub fn open(address: &Address, with_blobs: bool) -> Result<Connection, IndiError> {
        let no_server = |refusal: io::Error| IndiError::NoServer {
            host: address.host.clone(),
            port: address.port,
            what: refusal.to_string(),
        };
        let stream = connect(&address.host, address.port).map_err(no_server)?;
        let incoming = stream.try_clone().map_err(no_server)?;
        let shared = Arc::new(Shared {
            known: Mutex::default(),
            changed: Condvar::new(),
        });
        let (for_reader, device) = (Arc::clone(&shared), address.device.clone());
        let reader = std::thread::spawn(move || read_all(incoming, &device, &for_reader));
        let mut connection = Connection {
            address: address.clone(),
            stream,
            shared,
            reader: Some(reader),
        };
        connection.write(&describe(&address.device, None))?;
        if with_blobs {
            connection.write(&want_blobs(&address.device))?;
        }
        match connection.wait(DESCRIBE, |properties| properties.is_known().then_some(()))? {
            Waited::Found(()) => {
                connection.hear_out()?;
                Ok(connection)
            }
            Waited::TimeOver => Err(IndiError::NoDevice {
                device: address.device.clone(),
            }),
        }
    }

    /// Waits until no new property has come for a while: what a device says about itself comes
    /// in one go, and no message ends it.
    fn hear_out(&self) -> Result<(), IndiError> {
        let begin = Instant::now();
        let mut count = 0;
        while begin.elapsed() < DESCRIBE {
            let more = |p: &mut Properties| Some(p.count()).filter(|now| *now != count);
            match self.wait(QUIET, more)? {
                Waited::Found(now) => count = now,
                Waited::TimeOver => break,
            }
        }
        Ok(())
    }

    /// Where the device is.
    pub fn address(&self) -> &Address {
        &self.address
    }

    /// Sends a command.
    ///
    /// # Errors
    ///
    /// The connection is lost.
    pub fn send(&mut self, command: &Command) -> Result<(), IndiError> {
        self.write(&command.xml)
    }

    /// Asks for the present values of a property. What is known of it stays until they come.
    ///
    /// # Errors
    ///
    /// The connection is lost.
    pub fn ask(&mut self, name: &str) -> Result<(), IndiError> {
        let device = self.address.device.clone();
        self.write(&describe(&device, Some(name)))
    }

    fn write(&mut self, xml: &str) -> Result<(), IndiError> {
        let sent = self.stream.write_all(xml.as_bytes());
        sent.map_err(|broken| self.lost(&broken.to_string()))
    }

    fn lost(&self, what: &str) -> IndiError {
        IndiError::Lost {
            device: self.address.device.clone(),
            what: what.to_owned(),
        }
    }

    /// Waits until `look` finds something among the properties, and no longer than `most`.
    ///
    /// # Errors
    ///
    /// The connection is lost, or the server has taken the device away.
    pub fn wait<T>(
        &self,
        most: Duration,
        mut look: impl FnMut(&mut Properties) -> Option<T>,
    ) -> Result<Waited<T>, IndiError> {
        let begin = Instant::now();
        let mut known = self.shared.lock();
        loop {
            if let Some(found) = look(&mut known.properties) {
                return Ok(Waited::Found(found));
            }
            if let Some(what) = &known.lost {
                return Err(self.lost(what));
            }
            if known.properties.is_gone {
                return Err(self.lost("the server has taken the device away; its driver ended"));
            }
            let Some(left) = most
                .checked_sub(begin.elapsed())
                .filter(|left| !left.is_zero())
            else {
                return Ok(Waited::TimeOver);
            };
            let waited = self.shared.changed.wait_timeout(known, left);
            known = waited.unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    /// Looks at the properties without waiting.
    ///
    /// # Errors
    ///
    /// As [`Connection::wait`].
    pub fn look<T>(&self, look: impl FnOnce(&Properties) -> T) -> Result<T, IndiError> {
        let known = self.shared.lock();
        match &known.lost {
            Some(what) => Err(self.lost(what)),
            None if known.properties.is_gone => {
                Err(self.lost("the server has taken the device away; its driver ended"))
            }
            None => Ok(look(&known.properties)),
        }
    }
}

impl Drop for Connection {
    fn drop(&mut self) {
        // Ends the reader's wait.
        let _ = self.stream.shutdown(Shutdown::Both);
        if let Some(reader) = self.reader.take() {
            let _ = reader.join();
        }
    }
}

fn connect(host: &str, port: u16) -> io::Result<TcpStream> {
    let mut refusal = io::Error::other("the host's name means no number");
    for number in (host, port).to_socket_addrs()? {
        match TcpStream::connect_timeout(&number, CONNECT) {
            Ok(stream) => {
                stream.set_nodelay(true)?;
                stream.set_write_timeout(Some(SEND))?;
                return Ok(stream);
            }
            Err(error) => refusal = error,
        }
    }
    Err(refusal)
}

fn read_all(incoming: TcpStream, device: &str, shared: &Shared) {
    let mut reader = MessageReader::new(incoming, Limits::default());
    loop {
        let message = reader.next_message();
        let mut known = shared.lock();
        let is_over = match message {
            Ok(Some(message)) => {
                known.properties.take(device, message);
                false
            }
            Ok(None) => {
                known.lost = Some("the server closed it".into());
                true
            }
            Err(error) => {
                known.lost = Some(error.to_string());
                true
            }
        };
        drop(known);
        shared.changed.notify_all();
        if is_over {
            return;
        }
    }
}
