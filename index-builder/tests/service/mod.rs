//! A catalogue service on the loopback interface, by the text of TAP 1.1 (sections 2 and 3), DALI
//! 1.1 (section 4.4: overflow and errors) and VOTable 1.4; one table, and as much of ADQL as is
//! asked of it. It can be told to misbehave.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

/// RA, Dec (degrees), proper motions (mas/yr), magnitude.
pub type Row = [f64; 5];

/// How it answers.
#[derive(Debug, Clone, Copy, Default)]
pub struct Manners {
    /// No answer has more rows than this, and says so.
    pub most: Option<usize>,
    /// No answer has more rows than this, and does not say so.
    pub silently_most: Option<usize>,
    /// Rows as BINARY2 instead of TABLEDATA.
    pub binary: bool,
    /// Once in this many requests it is busy, and says when to come again.
    pub busy: Option<u64>,
    /// Once in this many requests its answer breaks off.
    pub breaks_off: Option<u64>,
    /// Once in this many requests its answer is a whole one of half the document.
    pub half: Option<u64>,
    /// From this request on it is out of order.
    pub dies: Option<u64>,
    /// It refuses every query, with this HTTP status.
    pub refuses: Option<u16>,
    /// It counts one row more than it has.
    pub miscounts: bool,
}

/// A running service; it ends with the tests.
pub struct Service {
    pub url: String,
    requests: Arc<AtomicU64>,
    manners: Arc<Mutex<Manners>>,
}

impl Service {
    pub fn start(rows: Vec<Row>, manners: Manners) -> Service {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}/tap", listener.local_addr().unwrap());
        let requests = Arc::new(AtomicU64::new(0));
        let manners = Arc::new(Mutex::new(manners));
        let (counter, shared) = (requests.clone(), manners.clone());
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let number = counter.fetch_add(1, Ordering::SeqCst) + 1;
                let manners = *shared.lock().unwrap();
                // A client that hangs up is no reason to stop.
                let _ = serve(stream, &rows, manners, number);
            }
        });
        Service {
            url,
            requests,
            manners,
        }
    }

    pub fn requests(&self) -> u64 {
        self.requests.load(Ordering::SeqCst)
    }

    pub fn behave(&self, manners: Manners) {
        *self.manners.lock().unwrap() = manners;
    }
}

/// Whether it was sent to the right path, and the form that was sent.
fn asked(stream: TcpStream) -> std::io::Result<(bool, Vec<(String, String)>)> {
    let mut reader = BufReader::new(stream);
    let mut line = String::new();
    reader.read_line(&mut line)?;
    let path_is_right = line.starts_with("POST /tap/sync HTTP/1.1");
    let mut length = 0;
    loop {
        line.clear();
        reader.read_line(&mut line)?;
        if line.trim().is_empty() {
            break;
        }
        let lower = line.to_ascii_lowercase();
        if let Some(value) = lower.strip_prefix("content-length:") {
            length = value.trim().parse().unwrap();
        }
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body)?;
    Ok((path_is_right, form(&String::from_utf8(body).unwrap())))
}

fn serve(stream: TcpStream, rows: &[Row], manners: Manners, number: u64) -> std::io::Result<()> {
    let (path_is_right, form) = asked(stream.try_clone()?)?;
    let get = |name: &str| {
        form.iter()
            .find(|(k, _)| k == name)
            .map(|(_, v)| v.as_str())
    };
    let every = |n: Option<u64>| n.is_some_and(|n| number.is_multiple_of(n));
    if every(manners.busy) {
        return reply(stream, 503, "Retry-After: 0\r\n", b"later", 0);
    }
    if manners.dies.is_some_and(|from| number >= from) {
        return reply(stream, 500, "", b"out of order", 0);
    }
    let well_asked = path_is_right
        && get("REQUEST") == Some("doQuery")
        && get("LANG") == Some("ADQL")
        && get("RESPONSEFORMAT") == Some("votable");
    let query = get("QUERY").and_then(Query::parse).filter(|_| well_asked);
    let (query, status) = match (query, manners.refuses) {
        (Some(query), None) => (query, 200),
        (_, status) => {
            let text = error("no such <column> & no other");
            return reply(stream, status.unwrap_or(400), "", text.as_bytes(), 0);
        }
    };
    let chosen: Vec<Row> = rows
        .iter()
        .copied()
        .filter(|row| query.holds(row))
        .collect();
    let document = if query.counts {
        count(chosen.len() + usize::from(manners.miscounts))
    } else {
        let most = get("MAXREC").map_or(usize::MAX, |text| text.parse().unwrap());
        let most = most.min(manners.most.unwrap_or(usize::MAX));
        let overflow = chosen.len() > most;
        let given = most.min(manners.silently_most.unwrap_or(usize::MAX));
        table(&chosen[..chosen.len().min(given)], overflow, manners.binary)
    };
    let document = document.as_bytes();
    if every(manners.half) {
        return reply(stream, status, "", &document[..document.len() / 2], 0);
    }
    let missing = if every(manners.breaks_off) {
        document.len() / 3
    } else {
        0
    };
    reply(stream, status, "", document, missing)
}

/// Sends all but the last `missing` bytes of what the head promises.
fn reply(
    mut stream: TcpStream,
    status: u16,
    more: &str,
    body: &[u8],
    missing: usize,
) -> std::io::Result<()> {
    write!(
        stream,
        "HTTP/1.1 {status} Status\r\nContent-Type: application/x-votable+xml\r\nContent-Length: {}\r\n\
         {more}Connection: close\r\n\r\n",
        body.len()
    )?;
    stream.write_all(&body[..body.len() - missing])?;
    stream.flush()
}

/// Names and values of application/x-www-form-urlencoded.
fn form(text: &str) -> Vec<(String, String)> {
    let decoded = |text: &str| {
        let mut bytes = Vec::new();
        let mut rest = text.bytes();
        while let Some(byte) = rest.next() {
            match byte {
                b'+' => bytes.push(b' '),
                b'%' => {
                    let digits = [rest.next().unwrap(), rest.next().unwrap()];
                    let digits = std::str::from_utf8(&digits).unwrap();
                    bytes.push(u8::from_str_radix(digits, 16).unwrap());
                }
                other => bytes.push(other),
            }
        }
        String::from_utf8(bytes).unwrap()
    };
    let pairs = text.split('&').filter_map(|pair| pair.split_once('='));
    pairs
        .map(|(name, value)| (decoded(name), decoded(value)))
        .collect()
}

struct Query {
    counts: bool,
    /// Centre and radius, degrees.
    circle: [f64; 3],
    south: f64,
    north: (bool, f64),
    ra: Option<[f64; 2]>,
    mag: f64,
}

impl Query {
    /// The two queries that are asked, and no other: `None`.
    fn parse(text: &str) -> Option<Query> {
        let count = "SELECT COUNT(*) AS n FROM gaiadr3.gaia_source WHERE ";
        let rows = "SELECT ra, dec, phot_g_mean_mag, pmra, pmdec, ref_epoch \
                    FROM gaiadr3.gaia_source WHERE ";
        let (counts, rest) = match (text.strip_prefix(count), text.strip_prefix(rows)) {
            (Some(rest), _) => (true, rest),
            (_, rest) => (false, rest?),
        };
        let rest = rest.strip_prefix("1 = CONTAINS(POINT('ICRS', ra, dec), CIRCLE('ICRS', ")?;
        let (circle, rest) = rest.split_once("))")?;
        let circle: Vec<f64> = circle
            .split(", ")
            .map(|n| n.parse().ok())
            .collect::<Option<_>>()?;
        let mut query = Query {
            counts,
            circle: circle.try_into().ok()?,
            south: f64::NAN,
            north: (false, f64::NAN),
            ra: None,
            mag: f64::NAN,
        };
        let mut west = None;
        for condition in rest.strip_prefix(" AND ")?.split(" AND ") {
            let words: Vec<&str> = condition.split(' ').collect();
            let [name, sign, value] = words[..] else {
                return None;
            };
            let value = value.parse().ok()?;
            match (name, sign) {
                ("dec", ">=") => query.south = value,
                ("dec", "<") => query.north = (false, value),
                ("dec", "<=") => query.north = (true, value),
                ("ra", ">=") => west = Some(value),
                ("ra", "<") => query.ra = Some([west?, value]),
                ("phot_g_mean_mag", "<=") => query.mag = value,
                _ => return None,
            }
        }
        (query.south + query.north.1 + query.mag)
            .is_finite()
            .then_some(query)
    }

    fn holds(&self, [ra, dec, _, _, mag]: &Row) -> bool {
        let [ra0, dec0, radius] = self.circle.map(f64::to_radians);
        let (a, d) = (ra.to_radians(), dec.to_radians());
        // Haversine formula.
        let half = ((d - dec0) / 2.0).sin().powi(2)
            + d.cos() * dec0.cos() * ((a - ra0) / 2.0).sin().powi(2);
        let (closed, north) = self.north;
        2.0 * half.sqrt().asin() <= radius
            && *dec >= self.south
            && (*dec < north || closed && *dec <= north)
            && self.ra.is_none_or(|[west, east]| *ra >= west && *ra < east)
            && *mag <= self.mag
    }
}

const HEAD: &str = "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
    <VOTABLE version=\"1.4\" xmlns=\"http://www.ivoa.net/xml/VOTable/v1.3\">\n\
    <RESOURCE type=\"results\">\n";
const OK: &str = "<INFO name=\"QUERY_STATUS\" value=\"OK\"/>\n";
const FOOT: &str = "</RESOURCE>\n</VOTABLE>\n";

fn error(why: &str) -> String {
    let why = why.replace('&', "&amp;").replace('<', "&lt;");
    format!("{HEAD}<INFO name=\"QUERY_STATUS\" value=\"ERROR\">{why}</INFO>\n{FOOT}")
}

fn count(n: usize) -> String {
    format!(
        "{HEAD}{OK}<TABLE><FIELD name=\"n\" datatype=\"long\"/><DATA><TABLEDATA>\
         <TR><TD>{n}</TD></TR></TABLEDATA></DATA></TABLE>\n{FOOT}"
    )
}

fn table(rows: &[Row], overflow: bool, binary: bool) -> String {
    let mut text = format!("{HEAD}{OK}<TABLE>");
    for (name, unit) in [
        ("ra", "deg"),
        ("dec", "deg"),
        ("phot_g_mean_mag", "mag"),
        ("pmra", "mas/yr"),
        ("pmdec", "mas/yr"),
        ("ref_epoch", "yr"),
    ] {
        text += &format!("<FIELD name=\"{name}\" datatype=\"double\" unit=\"{unit}\"/>\n");
    }
    let ordered = rows
        .iter()
        .map(|[ra, dec, pm_ra, pm_dec, mag]| [*ra, *dec, *mag, *pm_ra, *pm_dec, 2016.0]);
    if binary {
        let mut bytes = Vec::new();
        for row in ordered {
            // No value is missing.
            bytes.push(0);
            row.iter()
                .for_each(|value| bytes.extend(value.to_be_bytes()));
        }
        let packed = base64(&bytes);
        text +=
            &format!("<DATA><BINARY2><STREAM encoding=\"base64\">\n{packed}</STREAM></BINARY2>");
    } else {
        text += "<DATA><TABLEDATA>\n";
        for row in ordered {
            text += "<TR>";
            row.iter()
                .for_each(|value| text += &format!("<TD>{value}</TD>"));
            text += "</TR>\n";
        }
        text += "</TABLEDATA>";
    }
    text += "</DATA></TABLE>\n";
    if overflow {
        text += "<INFO name=\"QUERY_STATUS\" value=\"OVERFLOW\"/>\n";
    }
    text + FOOT
}

/// RFC 4648, in lines of 64.
fn base64(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::new();
    for (place, three) in bytes.chunks(3).enumerate() {
        let bits = (0..3).fold(0_u32, |n, i| {
            n << 8 | u32::from(*three.get(i).unwrap_or(&0))
        });
        for i in 0..4 {
            let digit = DIGITS[(bits >> (18 - 6 * i) & 63) as usize];
            text.push(if i > three.len() {
                '='
            } else {
                char::from(digit)
            });
        }
        if place % 16 == 15 {
            text.push('\n');
        }
    }
    text
}
