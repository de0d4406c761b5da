//! Rare tile compressions, decoded by the C library cfitsio in a process of its own.
//!
//! That library crashes on some damaged data, which must not take the solver with it. So the
//! program starts itself once more with a hidden argument; the child gets the compressed unit on
//! standard input, never a file name, and gives back plain numbers. A child that dies or takes
//! too long is a damaged frame, nothing more.

use super::Pixels;
use super::fault::Fault;
use super::fits::hdu::{BLOCK_BYTES, Hdu, Shape};
use super::source::Source;
use std::io::{Read, Write};
use std::path::PathBuf;
use std::process::{Child, Command, ExitCode, Stdio};
use std::sync::{OnceLock, mpsc};
use std::time::Duration;

/// First argument of a child; the second is the number of values wanted.
const CHILD_ARGUMENT: &str = "--decode-tiles-in-isolation";

/// Longest time a child may take.
const TIME_LIMIT: Duration = Duration::from_secs(60);

/// The program that serves as child.
static HELPER: OnceLock<PathBuf> = OnceLock::new();

/// To be called first by `main`: runs the child's job and gives its exit status where this
/// process is a child, else notes that this program can be started as one.
pub fn maybe_run_child() -> Option<ExitCode> {
    let mut arguments = std::env::args_os().skip(1);
    if arguments.next().is_none_or(|first| first != CHILD_ARGUMENT) {
        if let Ok(program) = std::env::current_exe() {
            let _ = HELPER.set(program);
        }
        return None;
    }
    let count = arguments.next().and_then(|n| n.to_str()?.parse().ok());
    Some(match count.and_then(run_child) {
        Some(()) => ExitCode::SUCCESS,
        None => ExitCode::FAILURE,
    })
}

/// Names the program to start as child, for programs that use the library and whose `main` does
/// not call [`maybe_run_child`]. The first call counts.
pub fn set_helper_program(program: PathBuf) {
    let _ = HELPER.set(program);
}

/// Decodes the compressed image `shape` behind `hdu`.
pub(crate) fn decode(
    source: &Source,
    hdu: &Hdu,
    shape: &Shape,
    algorithm: &str,
) -> Result<Pixels, Fault> {
    if !["PLIO_1", "HCOMPRESS_1"].contains(&algorithm) {
        return Err(Fault::NotReadable(format!(
            "is compressed with '{algorithm}', which is not read: uncompress it first"
        )));
    }
    let Some(program) = HELPER.get() else {
        return Err(Fault::NotReadable(format!(
            "is compressed with {algorithm}, which only the nightfix program itself can read: \
             uncompress it first"
        )));
    };
    let count = shape.pixels() * shape.planes;
    let input = single_unit_file(source, hdu)?;
    let child = Command::new(program)
        .arg(CHILD_ARGUMENT)
        .arg(count.to_string())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .map_err(|e| {
            Fault::NotReadable(format!(
                "needs a second process to be uncompressed, which did not start ({e}): uncompress \
                 it first"
            ))
        })?;
    let bytes = converse(child, input, count * size_of::<f32>()).ok_or_else(|| {
        Fault::damaged(format!(
            "has {algorithm} data that cannot be decoded: copy it again"
        ))
    })?;
    Ok(average(&bytes, shape))
}

/// A FITS file of an empty primary unit and the compressed one.
fn single_unit_file(source: &Source, hdu: &Hdu) -> Result<Vec<u8>, Fault> {
    let cards = [
        "SIMPLE  =                    T",
        "BITPIX  =                    8",
        "NAXIS   =                    0",
        "EXTEND  =                    T",
        "END",
    ];
    let mut file: Vec<u8> = cards
        .iter()
        .flat_map(|c| format!("{c:<80}").into_bytes())
        .collect();
    file.resize(BLOCK_BYTES as usize, b' ');
    let end = hdu.data_start + hdu.data_bytes;
    if source.available(end)? < end {
        return Err(super::source::ended_early());
    }
    let header = file.len();
    file.resize(header + (end - hdu.start) as usize, 0);
    source.read_exact_at(&mut file[header..], hdu.start)?;
    let whole = file.len().next_multiple_of(BLOCK_BYTES as usize);
    file.resize(whole, 0);
    Ok(file)
}

/// Feeds `input` to the child and takes exactly `expected` bytes from it.
fn converse(mut child: Child, input: Vec<u8>, expected: usize) -> Option<Vec<u8>> {
    let (mut stdin, mut stdout) = (child.stdin.take()?, child.stdout.take()?);
    // Both ends at once: neither pipe holds a frame.
    std::thread::spawn(move || {
        // A child that stopped listening shows in its output.
        let _ = stdin.write_all(&input);
    });
    let (sender, receiver) = mpsc::channel();
    std::thread::spawn(move || {
        let mut output = Vec::new();
        let result = stdout
            .by_ref()
            .take(expected as u64 + 1)
            .read_to_end(&mut output);
        let _ = sender.send(result.ok().map(|_| output));
    });
    let output = receiver.recv_timeout(TIME_LIMIT).ok().flatten();
    if output.is_none() {
        let _ = child.kill();
    }
    let status = child.wait().ok()?;
    output.filter(|o| status.success() && o.len() == expected)
}

fn average(bytes: &[u8], shape: &Shape) -> Pixels {
    let values: Vec<f32> = bytes
        .as_chunks()
        .0
        .iter()
        .map(|b| f32::from_ne_bytes(*b))
        .collect();
    let pixels = shape.pixels();
    let mean = |i: usize| {
        let sum: f64 = values
            .iter()
            .skip(i)
            .step_by(pixels)
            .map(|v| f64::from(*v))
            .sum();
        super::fits::finite_or_nan(sum / shape.planes as f64)
    };
    let plane: Vec<f32> = if shape.planes == 1 {
        values
    } else {
        (0..pixels).map(mean).collect()
    };
    let whole = |v: &f32| (0.0..=65535.0).contains(v) && v.fract() == 0.0;
    if !shape.bitpix.is_float() && plane.iter().all(whole) {
        return Pixels::U16(plane.into_iter().map(|v| v as u16).collect());
    }
    Pixels::F32(plane)
}

/// The child's job: FITS on standard input, `count` values on standard output.
fn run_child(count: usize) -> Option<()> {
    let mut file = Vec::new();
    std::io::stdin().read_to_end(&mut file).ok()?;
    let values = read_second_unit(file, count)?;
    let mut out = std::io::stdout().lock();
    out.write_all(bytemuck::cast_slice(&values)).ok()?;
    out.flush().ok()
}

#[allow(unsafe_code)]
fn read_second_unit(mut file: Vec<u8>, count: usize) -> Option<Vec<f32>> {
    use fitsio_sys::{ffclos, ffgpv, ffmahd, ffomem};
    const READ_ONLY: i32 = 0;
    const FLOAT: i32 = 42;
    let mut values = vec![0_f32; count];
    let mut blank = f32::NAN;
    let (mut handle, mut status, mut any_blank) = (std::ptr::null_mut(), 0, 0);
    let mut start = file.as_mut_ptr().cast();
    let mut length = file.len();
    // SAFETY: the buffer, its address and its length outlive the handle, which is closed below;
    // the file is opened for reading only, so that no reallocation function is needed; `values`
    // holds the `count` numbers asked for; every call does nothing once `status` is set.
    unsafe {
        ffomem(
            &raw mut handle,
            c"frame".as_ptr(),
            READ_ONLY,
            &raw mut start,
            &raw mut length,
            0,
            None,
            &raw mut status,
        );
        if status != 0 {
            return None;
        }
        ffmahd(handle, 2, std::ptr::null_mut(), &raw mut status);
        ffgpv(
            handle,
            FLOAT,
            1,
            count as _,
            (&raw mut blank).cast(),
            values.as_mut_ptr().cast(),
            &raw mut any_blank,
            &raw mut status,
        );
        let mut close_status = 0;
        ffclos(handle, &raw mut close_status);
    }
    (status == 0).then_some(values)
}
