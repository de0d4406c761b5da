//! Questions and answers: TAP 1.1 (section 2, synchronous), HTTP.

use super::{Service, TapError};
use crate::catalogue::text::TextError;
use crate::catalogue::votable::{End, Rows, rows};
use flate2::Compression;
use flate2::bufread::GzDecoder;
use flate2::write::GzEncoder;
use std::fs::File;
use std::io::{self, BufReader, BufWriter, Read, Write};
use std::path::Path;
use std::time::Duration;
use ureq::Agent;
use ureq::http::StatusCode;

/// Asks one service, one question at a time.
pub(super) struct Client<'a> {
    service: &'a Service,
    agent: Agent,
    /// Requests made.
    pub requests: u64,
    /// Bytes received.
    pub bytes: u64,
}

/// What kept a question from being answered.
enum Trouble {
    /// It may be answered when it is asked again; not before this time, where the service says so.
    Passing(String, Option<Duration>),
    /// It will not.
    Lasting(TapError),
}

/// How a table came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Received {
    pub rows: u64,
    /// The service says that there are more.
    pub cut: bool,
}

/// How often a question is asked before it is given up.
const ATTEMPTS: u32 = 5;
/// No answer to a question about a number is longer.
const LONGEST_NUMBER: u64 = 1 << 20;
/// No row of six numbers is longer.
const LONGEST_ROW: u64 = 1 << 12;
/// No complaint is longer.
const LONGEST_COMPLAINT: u64 = 1 << 16;
/// The longest wait that a service can ask for.
const LONGEST_WAIT: Duration = Duration::from_secs(120);

impl<'a> Client<'a> {
    pub(super) fn new(service: &'a Service) -> Result<Client<'a>, TapError> {
        if !service.url.starts_with("https://") && !service.url.starts_with("http://") {
            return Err(TapError::Usage {
                what: format!(
                    "'{}' is no address of a service: it begins with https://",
                    service.url
                ),
            });
        }
        Ok(Client {
            service,
            agent: agent(&service.url),
            requests: 0,
            bytes: 0,
        })
    }

    /// The single number that a query asks for.
    pub(super) fn number(&mut self, query: &str) -> Result<u64, TapError> {
        self.patiently(|client| {
            let mut text = Vec::new();
            let answer = client.post(query, 1)?;
            let read = answer.take(LONGEST_NUMBER).read_to_end(&mut text);
            client.bytes += read.map_err(|error| passing(&error))? as u64;
            let mut first = First::default();
            rows(&text[..], &mut first).map_err(|error| client.of_answer(error))?;
            match first.value {
                Some(number) if number >= 0.0 => Ok(number as u64),
                _ => Err(Trouble::Passing("its answer holds no number".into(), None)),
            }
        })
    }

    /// Writes the rows that a query asks for to a file, in gzip, and counts them. `most` rows are
    /// expected.
    pub(super) fn table(
        &mut self,
        query: &str,
        most: u64,
        to: &Path,
    ) -> Result<Received, TapError> {
        self.patiently(|client| {
            let failed = |source| {
                Trouble::Lasting(TapError::Write {
                    path: to.to_owned(),
                    source,
                })
            };
            // One more than there should be: a service may call an answer cut that just fits.
            let mut answer = client.post(query, most + 1)?;
            let file = BufWriter::new(File::create(to).map_err(failed)?);
            let mut packed = GzEncoder::new(file, Compression::fast());
            let mut buffer = vec![0; 1 << 16];
            let mut room = LONGEST_NUMBER + most.saturating_mul(LONGEST_ROW);
            loop {
                let length = answer.read(&mut buffer).map_err(|error| passing(&error))?;
                if length == 0 {
                    break;
                }
                client.bytes += length as u64;
                room = room.saturating_sub(length as u64);
                if room == 0 {
                    let what = "it gives far more than it was asked for".into();
                    return Err(Trouble::Passing(what, None));
                }
                packed.write_all(&buffer[..length]).map_err(failed)?;
            }
            let file = packed.finish().map_err(failed)?.into_inner();
            let file = file.map_err(|error| failed(error.into_error()))?;
            file.sync_all().map_err(failed)?;
            let file = File::open(to).map_err(failed)?;
            let text = BufReader::new(GzDecoder::new(BufReader::new(file)));
            let mut counted = Counted::default();
            let end = rows(text, &mut counted).map_err(|error| client.of_answer(error))?;
            Ok(Received {
                rows: counted.rows,
                cut: end == End::Overflow,
            })
        })
    }

    /// Asks until there is an answer, or it becomes clear that there will be none.
    fn patiently<T>(
        &mut self,
        mut ask: impl FnMut(&mut Self) -> Result<T, Trouble>,
    ) -> Result<T, TapError> {
        let mut last = String::new();
        for attempt in 0..ATTEMPTS {
            if self.requests > 0 {
                std::thread::sleep(self.service.pause);
            }
            match ask(self) {
                Ok(answer) => return Ok(answer),
                Err(Trouble::Lasting(error)) => return Err(error),
                Err(Trouble::Passing(what, wait)) => {
                    last = what;
                    let longer = self.service.pause * (2 << attempt);
                    let wait = wait.unwrap_or_default().max(longer).min(LONGEST_WAIT);
                    if attempt + 1 < ATTEMPTS {
                        std::thread::sleep(wait);
                    }
                }
            }
        }
        Err(TapError::Failing {
            url: self.service.url.clone(),
            what: last,
        })
    }

    fn post(&mut self, query: &str, most: u64) -> Result<impl Read + use<>, Trouble> {
        self.requests += 1;
        let url = format!("{}/sync", self.service.url.trim_end_matches('/'));
        let most = most.to_string();
        let form = [
            ("REQUEST", "doQuery"),
            ("LANG", "ADQL"),
            ("RESPONSEFORMAT", "votable"),
            // The name of the same in TAP 1.0.
            ("FORMAT", "votable"),
            ("MAXREC", &most),
            ("QUERY", query),
        ];
        let answer = self.agent.post(&url).send_form(form);
        let answer = answer.map_err(|error| match error {
            ureq::Error::BadUri(_) | ureq::Error::InvalidProxyUrl => {
                self.refused(error.to_string())
            }
            ureq::Error::RequireHttpsOnly(to) => self.refused(format!(
                "it passes the question on to {to}, where anyone on the way could change the answer"
            )),
            _ => Trouble::Passing(error.to_string(), None),
        })?;
        let status = answer.status();
        let wait = answer.headers().get("retry-after");
        let wait = wait.and_then(|value| value.to_str().ok()?.parse().ok());
        let body = answer.into_body().into_reader();
        if status.is_success() {
            return Ok(body);
        }
        let mut text = Vec::new();
        // Whatever of the complaint arrives is better than nothing.
        let _ = body.take(LONGEST_COMPLAINT).read_to_end(&mut text);
        let said = match rows(&text[..], &mut Counted::default()) {
            Err(TextError::Refused(what)) => what,
            _ => format!("it answered {status}"),
        };
        let passes = status.is_server_error()
            || [StatusCode::TOO_MANY_REQUESTS, StatusCode::REQUEST_TIMEOUT].contains(&status);
        Err(match passes {
            true => Trouble::Passing(said, wait.map(Duration::from_secs)),
            false => self.refused(said),
        })
    }

    fn refused(&self, what: String) -> Trouble {
        Trouble::Lasting(TapError::Refused {
            url: self.service.url.clone(),
            what,
        })
    }

    /// A query that is refused will be again; an answer that breaks off may come whole next time.
    fn of_answer(&self, error: TextError) -> Trouble {
        match error {
            TextError::Refused(what) => self.refused(what),
            TextError::Content(what) => Trouble::Passing(what, None),
            TextError::Io(error) => passing(&error),
        }
    }
}

/// What asks the service at `url`: one that is asked over TLS cannot pass a question on to an
/// address without.
fn agent(url: &str) -> Agent {
    let config = Agent::config_builder()
        .http_status_as_error(false)
        .https_only(url.starts_with("https://"))
        .user_agent(concat!(
            "nightfix-index-builder/",
            env!("CARGO_PKG_VERSION")
        ))
        .timeout_connect(Some(Duration::from_secs(30)))
        .timeout_global(Some(Duration::from_secs(900)))
        .build();
    config.into()
}

fn passing(error: &io::Error) -> Trouble {
    Trouble::Passing(format!("its answer broke off ({error})"), None)
}

/// The first value of the first row.
#[derive(Default)]
struct First {
    value: Option<f64>,
}

impl Rows for First {
    fn begin(&mut self, _: &[String]) -> Result<(), String> {
        Ok(())
    }

    fn row(&mut self, values: &[Option<f64>]) -> Result<bool, String> {
        self.value = self.value.or(values.first().copied().flatten());
        Ok(true)
    }
}

#[derive(Default)]
struct Counted {
    rows: u64,
}

impl Rows for Counted {
    fn begin(&mut self, _: &[String]) -> Result<(), String> {
        Ok(())
    }

    fn row(&mut self, _: &[Option<f64>]) -> Result<bool, String> {
        self.rows += 1;
        Ok(true)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::net::TcpListener;

    /// Every address that the agent turns to, redirected or not, goes through the same gate: what
    /// it may not ask at once it may not follow to.
    #[test]
    fn a_service_with_tls_is_not_followed_to_one_without() {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        listener.set_nonblocking(true).unwrap();
        let plain = format!("http://{}/tap", listener.local_addr().unwrap());
        let asked = agent("https://a.service/tap").post(&plain).send_empty();
        assert!(
            matches!(asked, Err(ureq::Error::RequireHttpsOnly(_))),
            "{asked:?}"
        );
        let came = listener.accept().map(|_| ()).map_err(|error| error.kind());
        assert_eq!(came, Err(io::ErrorKind::WouldBlock));
    }
}
