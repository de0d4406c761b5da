//! The extension module behind the Python package `nightfix`. It hands over records as JSON, the
//! objects that `nightfix solve --json` prints; the package makes Python objects of them.

#![expect(
    missing_docs,
    reason = "create_exception makes items that take no docs"
)]

mod pixels;

use nightfix::Deadline;
use nightfix::aim::parse_aim;
use nightfix::answer::{Asked, At, Known, answer, out_of_time};
use nightfix::cli::{Status, index};
use nightfix::frame::{Frame, FrameError, FrameFile, isolated, text_of_path};
use nightfix::guard;
use nightfix::itself;
use nightfix::mount::Equinox;
use pyo3::exceptions::{PyException, PyValueError};
use pyo3::prelude::*;
use std::ffi::OsString;
use std::path::PathBuf;
use std::time::{Duration, Instant};

pyo3::create_exception!(nightfix, NightfixError, PyException);
pyo3::create_exception!(nightfix, FrameNotReadable, NightfixError);
pyo3::create_exception!(nightfix, FrameDamaged, NightfixError);
pyo3::create_exception!(nightfix, StarIndexNotUsable, NightfixError);
pyo3::create_exception!(nightfix, InternalFault, NightfixError);

/// A frame's record as JSON, and its width and height in pixels: zeros where it was not read.
type Solved = (String, [usize; 2]);

/// What the caller says, in the units of the command line.
#[derive(FromPyObject)]
#[pyo3(from_item_all)]
struct Options {
    at: Option<Aim>,
    equinox: Option<String>,
    within_deg: Option<f64>,
    focal_length_mm: Option<f64>,
    pixel_size_um: Option<f64>,
    scale_arcsec_per_px: Option<f64>,
    ignore_header: bool,
    time_limit_s: Option<f64>,
    indexes: Vec<PathBuf>,
    threads: Option<usize>,
}

#[derive(FromPyObject)]
enum Aim {
    Text(String),
    Degrees([f64; 2]),
}

/// Solves the frame of a file.
#[pyfunction]
fn solve(py: Python, path: PathBuf, options: Options) -> PyResult<Solved> {
    let begin = Instant::now();
    let known = options.known()?;
    py.detach(|| {
        options.run(|| {
            let deadline = Deadline::after(begin, known.time_limit);
            let file = text_of_path(&path);
            let frame = FrameFile::open(&path).and_then(|file| file.read_by(deadline));
            options.answer(frame, &file, &known, begin)
        })
    })
}

/// Solves pixels: whatever lends them as a buffer of two dimensions, y first.
#[pyfunction]
fn solve_pixels(
    py: Python,
    pixels: &Bound<PyAny>,
    claims: pixels::Claims,
    options: Options,
) -> PyResult<Solved> {
    let begin = Instant::now();
    let known = options.known()?;
    let frame = pixels::frame(pixels, &claims)?;
    py.detach(|| options.run(|| options.answer(Ok(frame), "", &known, begin)))
}

impl Options {
    fn known(&self) -> PyResult<Known> {
        let positive = |name: &str, value: Option<f64>| match value {
            Some(value) if !(value.is_finite() && value > 0.0) => Err(PyValueError::new_err(
                format!("{name}: a number above 0 is needed, not {value}"),
            )),
            value => Ok(value),
        };
        let within_deg = positive("within_deg", self.within_deg)?;
        if within_deg.is_some_and(|within| within > 180.0) {
            return Err(PyValueError::new_err(
                "within_deg: 180 degrees is the whole sky; leave it out to search it all",
            ));
        }
        let limit = positive("time_limit_s", self.time_limit_s)?;
        let at = self.at.as_ref().map(Aim::position).transpose()?;
        if within_deg.is_some() && at.is_none() && self.ignore_header {
            return Err(PyValueError::new_err(
                "within_deg needs a commanded position: add at, or drop ignore_header",
            ));
        }
        Ok(Known {
            at,
            equinox: self.equinox.as_deref().map(equinox).transpose()?,
            within_deg,
            focal_length_mm: positive("focal_length_mm", self.focal_length_mm)?,
            pixel_size_um: positive("pixel_size_um", self.pixel_size_um)?,
            scale_arcsec_per_px: positive("scale_arcsec_per_px", self.scale_arcsec_per_px)?,
            ignore_header: self.ignore_header,
            time_limit: limit
                .map(Duration::try_from_secs_f64)
                .transpose()
                .map_err(|_| PyValueError::new_err("time_limit_s: that is longer than time"))?,
            target: None,
            focus: None,
        })
    }

    /// Does `job` on the threads that were asked for.
    fn run(&self, job: impl FnOnce() -> PyResult<Solved> + Send) -> PyResult<Solved> {
        let guarded = || guard::run(job).unwrap_or_else(|fault| Err(InternalFault::new_err(fault)));
        let Some(threads) = self.threads else {
            return guarded();
        };
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        let pool = pool.map_err(|refusal| {
            PyValueError::new_err(format!("threads: {threads} cannot be had: {refusal}"))
        })?;
        pool.install(guarded)
    }

    fn answer(
        &self,
        frame: Result<Frame, FrameError>,
        file: &str,
        known: &Known,
        begin: Instant,
    ) -> PyResult<Solved> {
        let unusable =
            |refusal: &dyn std::fmt::Display| StarIndexNotUsable::new_err(refusal.to_string());
        let asked = Asked { file, known, begin };
        let (record, size) = match frame {
            Ok(frame) => {
                let sky = index::open(&self.indexes).map_err(|refusal| unusable(&refusal))?;
                let answer = answer(&frame, &sky, &asked).map_err(|refusal| unusable(&refusal))?;
                (answer.record, [frame.width, frame.height])
            }
            Err(FrameError::TimeLimit { .. }) => (out_of_time(&asked), [0, 0]),
            Err(refusal @ FrameError::Damaged { .. }) => {
                return Err(FrameDamaged::new_err(refusal.to_string()));
            }
            Err(refusal) => return Err(FrameNotReadable::new_err(refusal.to_string())),
        };
        let json = record.to_json_line();
        let json = json.map_err(|fault| InternalFault::new_err(fault.to_string()))?;
        Ok((json, size))
    }
}

impl Aim {
    fn position(&self) -> PyResult<At> {
        match self {
            Aim::Text(text) => {
                let aim = parse_aim(text)
                    .map_err(|refusal| PyValueError::new_err(format!("at: {refusal}")))?;
                Ok(At {
                    position_deg: [aim.ra_deg, aim.dec_deg],
                    name: aim.name,
                })
            }
            &Aim::Degrees([ra_deg, dec_deg]) => {
                if !(0.0..=360.0).contains(&ra_deg) || !(-90.0..=90.0).contains(&dec_deg) {
                    return Err(PyValueError::new_err(format!(
                        "at: RA is 0 to 360 and Dec -90 to 90 degrees, not {ra_deg}, {dec_deg}"
                    )));
                }
                Ok(At {
                    position_deg: [ra_deg % 360.0, dec_deg],
                    name: None,
                })
            }
        }
    }
}

fn equinox(text: &str) -> PyResult<Equinox> {
    match text {
        "j2000" => Ok(Equinox::J2000),
        "date" => Ok(Equinox::Date),
        _ => Err(PyValueError::new_err(format!(
            "equinox is 'j2000' or 'date', not {text:?}"
        ))),
    }
}

/// Runs the command line, the program's name first; gives its exit status.
#[pyfunction]
fn run(py: Python, arguments: Vec<OsString>) -> u8 {
    py.detach(|| {
        if let Some(decoded) = isolated::run_as_child(arguments.iter().skip(1).cloned()) {
            return if decoded {
                0
            } else {
                Status::Internal.number()
            };
        }
        nightfix::cli::run_as(arguments).number()
    })
}

/// Names the command that starts this program once more, to decode camera raw files say.
#[pyfunction]
fn set_helper(program: PathBuf, leading: Vec<OsString>) {
    itself::set_program(program, leading);
}

#[pymodule]
fn _core(module: &Bound<PyModule>) -> PyResult<()> {
    guard::install();
    let py = module.py();
    module.add("__version__", env!("CARGO_PKG_VERSION"))?;
    module.add("NightfixError", py.get_type::<NightfixError>())?;
    module.add("FrameNotReadable", py.get_type::<FrameNotReadable>())?;
    module.add("FrameDamaged", py.get_type::<FrameDamaged>())?;
    module.add("StarIndexNotUsable", py.get_type::<StarIndexNotUsable>())?;
    module.add("InternalFault", py.get_type::<InternalFault>())?;
    module.add_function(wrap_pyfunction!(solve, module)?)?;
    module.add_function(wrap_pyfunction!(solve_pixels, module)?)?;
    module.add_function(wrap_pyfunction!(run, module)?)?;
    module.add_function(wrap_pyfunction!(set_helper, module)?)
}
