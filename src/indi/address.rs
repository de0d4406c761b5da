//! Where a device is: `indi://HOST:PORT/DEVICE`.

use std::fmt;
use std::str::FromStr;

/// The port of INDI servers, registered at IANA.
pub const DEFAULT_PORT: u16 = 7624;

/// A device on a server.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Address {
    /// Name or number of the computer.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// Name of the device, spaces included.
    pub device: String,
}

/// Why a text is no such address.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{text}' is no address of an INDI device ({what}): write indi://HOST:PORT/DEVICE")]
pub struct AddressError {
    text: String,
    what: &'static str,
}

impl FromStr for Address {
    type Err = AddressError;

    /// Reads `indi://HOST:PORT/DEVICE`; without a port it is 7624. An IPv6 number stands in
    /// brackets; `%20` and the like in the device's name are understood as in any URL.
    fn from_str(text: &str) -> Result<Address, AddressError> {
        let error = |what| AddressError {
            text: text.to_owned(),
            what,
        };
        let rest = text
            .trim()
            .strip_prefix("indi://")
            .ok_or_else(|| error("it does not begin with indi://"))?;
        let (server, device) = rest
            .split_once('/')
            .ok_or_else(|| error("it names no device"))?;
        let device = unescaped(device.trim_end_matches('/'))
            .filter(|device| !device.is_empty())
            .ok_or_else(|| error("it names no device"))?;
        let (host, port) = match server.strip_prefix('[') {
            Some(bracketed) => bracketed
                .split_once(']')
                .ok_or_else(|| error("a bracket is missing"))?,
            None => server.split_at(server.find(':').unwrap_or(server.len())),
        };
        let port = match port.strip_prefix(':') {
            None if port.is_empty() => DEFAULT_PORT,
            Some(port) => port
                .parse()
                .map_err(|_| error("the port is no number from 1 to 65535"))?,
            None => return Err(error("the port follows a colon")),
        };
        if host.is_empty() || port == 0 {
            return Err(error("host or port is missing"));
        }
        Ok(Address {
            host: host.to_owned(),
            port,
            device,
        })
    }
}

/// Percent-encoding undone; `None` where that gives no UTF-8.
fn unescaped(text: &str) -> Option<String> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.as_bytes();
    while let Some((&first, tail)) = rest.split_first() {
        let code = (first == b'%')
            .then(|| std::str::from_utf8(tail.get(..2)?).ok())
            .flatten()
            .and_then(|digits| u8::from_str_radix(digits, 16).ok());
        bytes.push(code.unwrap_or(first));
        rest = if code.is_some() { &tail[2..] } else { tail };
    }
    String::from_utf8(bytes).ok()
}

impl Address {
    /// The address as it is written on a command line.
    pub fn url(&self) -> String {
        let host = match self.host.contains(':') {
            true => format!("[{}]", self.host),
            false => self.host.clone(),
        };
        // A `%` stands for itself, a `/` at the end would be taken for punctuation.
        let device = self.device.replace('%', "%25").replace('/', "%2F");
        format!("indi://{host}:{}/{device}", self.port)
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} at {}:{}", self.device, self.host, self.port)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_are_read() {
        let read = |text: &str| text.parse::<Address>().unwrap();
        let pier = read("indi://pier.local:7700/Telescope Simulator");
        assert_eq!(
            (pier.host.as_str(), pier.port, pier.device.as_str()),
            ("pier.local", 7700, "Telescope Simulator")
        );
        assert_eq!(
            read("indi://localhost/Telescope%20Simulator/").device,
            pier.device
        );
        assert_eq!(read("indi://localhost/A").port, DEFAULT_PORT);
        assert_eq!(read("indi://[::1]:7700/A").host, "::1");
        for device in ["Telescope Simulator", "100%20 steel/", "Nachtauge \u{fc}"] {
            let written = Address {
                host: "::1".into(),
                port: 7700,
                device: device.into(),
            };
            assert_eq!(read(&written.url()), written);
        }
        for text in [
            "",
            "localhost:7624/A",
            "indi://localhost",
            "indi://localhost/",
            "indi:///A",
            "indi://a:0/A",
            "indi://a:99999/A",
            "indi://[::1/A",
            "indi://a:x/A",
        ] {
            assert!(text.parse::<Address>().is_err(), "{text}");
        }
    }
}
