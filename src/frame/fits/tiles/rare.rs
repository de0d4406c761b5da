//! Rare tile compressions, decoded by the C library cfitsio. It crashes on some damaged data, so
//! that is done in a process of its own ([`crate::frame::isolated`]).

use crate::frame::Pixels;
use crate::frame::fault::Fault;
use crate::frame::fits::hdu::{BLOCK_BYTES, Hdu, Shape};
use crate::frame::isolated::{Job, ask};
use crate::frame::source::{Source, ended_early};
use std::io::{Read, Write};

/// Decodes the compressed image `shape` behind `hdu`.
pub(super) fn decode(
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
    let count = shape.pixels() * shape.planes;
    let input = single_unit_file(source, hdu)?;
    let expected = count * size_of::<f32>();
    // The values here and the mean of their planes; the child's come on top and are gone by then.
    let budget = source.budget();
    budget.check_work((expected + shape.pixels() * size_of::<f32>()) as u64)?;
    let read = move |from: &mut std::process::ChildStdout| {
        let mut values = vec![0_f32; count];
        from.read_exact(bytemuck::cast_slice_mut(&mut values))
            .ok()?;
        Some(values)
    };
    let (values, _) = ask(Job::RareTiles { count }, input, budget, read).map_err(|failure| {
        failure.fault(
            &format!("compressed with {algorithm}"),
            "uncompress it first",
        )
    })?;
    Ok(average(values, shape))
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
        return Err(ended_early());
    }
    let header = file.len();
    file.resize(header + (end - hdu.start) as usize, 0);
    source.read_exact_at(&mut file[header..], hdu.start)?;
    let whole = file.len().next_multiple_of(BLOCK_BYTES as usize);
    file.resize(whole, 0);
    Ok(file)
}

fn average(values: Vec<f32>, shape: &Shape) -> Pixels {
    let pixels = shape.pixels();
    let mean = |i: usize| {
        let sum: f64 = values
            .iter()
            .skip(i)
            .step_by(pixels)
            .map(|v| f64::from(*v))
            .sum();
        crate::frame::fits::finite_or_nan(sum / shape.planes as f64)
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

/// The child's job: FITS in `file`, `count` values of its second unit to `out`.
pub(in crate::frame) fn run_child(file: Vec<u8>, count: usize, out: &mut impl Write) -> Option<()> {
    let values = read_second_unit(file, count)?;
    out.write_all(bytemuck::cast_slice(&values)).ok()
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
