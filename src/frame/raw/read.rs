//! The parent's side: file to the child, pixels from it, camera data beside them.

use super::child::{Answer, Layout};
use super::{Kind, camera_data};
use crate::frame::budget::{Budget, check_size};
use crate::frame::fault::Fault;
use crate::frame::isolated::ask;
use crate::frame::source::{ended_early, read_fault};
use crate::frame::{Frame, Pixels};
use std::fs::File;
use std::io::{Read, Seek};
use std::path::Path;

/// Longest raw file: five times what the largest sensors of today write.
const MAX_BYTES: u64 = 1 << 30;

const WAY_OUT: &str = "convert it to DNG, FITS or 16-bit TIFF";

/// What the child says, with the pixels where there are any.
enum Reply {
    Picture(Layout, Pixels),
    Refused(Answer),
    TooLarge(Fault),
}

/// Reads a raw file of a recognised kind.
pub(in crate::frame) fn read(
    mut file: &File,
    budget: &Budget,
    kind: Kind,
    path: &Path,
) -> Result<Frame, Fault> {
    let len = budget.stored();
    if len > MAX_BYTES {
        return Err(Fault::damaged(format!(
            "is {} of {len} bytes, more than any camera writes: get the frame again from where it \
             was taken",
            kind.name()
        )));
    }
    let mut bytes = Vec::with_capacity(usize::try_from(len).unwrap_or(0));
    file.rewind()
        .and_then(|()| file.take(len).read_to_end(&mut bytes))
        .map_err(read_fault)?;
    if (bytes.len() as u64) < len {
        return Err(ended_early());
    }
    let (reply, bytes) = ask(bytes, budget, {
        let budget = *budget;
        move |child| receive(child, &budget)
    })
    .map_err(|failure| failure.fault(kind.name(), WAY_OUT))?;
    let (layout, pixels) = match reply {
        Reply::Picture(layout, pixels) => (layout, pixels),
        Reply::TooLarge(fault) => return Err(fault),
        Reply::Refused(answer) => return Err(refusal(&answer, kind)),
    };
    let camera = camera_data::of(kind, bytes);
    Ok(Frame {
        path: path.to_owned(),
        width: layout.width,
        height: layout.height,
        pixels,
        mosaic_stated: Some(layout.mosaic),
        first_row_on_top: true,
        orientation: camera.orientation(),
        nonlinear: false,
        clues: camera.clues(layout.width, layout.height),
    })
}

fn refusal(answer: &Answer, kind: Kind) -> Fault {
    match answer {
        Answer::UnknownCamera { model } if !model.is_empty() => Fault::NotReadable(format!(
            "is {} of the camera {model}, which is not known: {WAY_OUT}",
            kind.name()
        )),
        Answer::UnknownLayout => Fault::NotReadable(format!(
            "is {} of a sort that is not read: {WAY_OUT}",
            kind.name()
        )),
        // A file that is known by its first bytes names its camera, unless these are all it has.
        Answer::UnknownCamera { .. } | Answer::Picture(_) | Answer::Damaged => {
            Fault::damaged(format!(
                "is {} and cannot be decoded: wait until it is written completely, or copy it again; \
                 where other programs open it, its packing is not known here: {WAY_OUT}",
                kind.name()
            ))
        }
    }
}

/// Takes the child's answer, and its pixels once their number has been found reasonable for a
/// file of that length.
fn receive(child: &mut impl Read, budget: &Budget) -> Option<Reply> {
    let answer = Answer::read(child)?;
    let Answer::Picture(layout) = answer else {
        return Some(Reply::Refused(answer));
    };
    let count = layout.width.checked_mul(layout.height)?;
    let bytes = count.checked_mul(if layout.float { 4 } else { 2 })? as u64;
    let reasonable = check_size(layout.width as u64, layout.height as u64)
        .and_then(|()| budget.check_picture(count as u64, bytes));
    if let Err(fault) = reasonable {
        // The rest need not be listened to.
        std::io::copy(child, &mut std::io::sink()).ok()?;
        return Some(Reply::TooLarge(fault));
    }
    let pixels = if layout.float {
        let mut values = vec![0_f32; count];
        child
            .read_exact(bytemuck::cast_slice_mut(&mut values))
            .ok()?;
        Pixels::F32(values)
    } else {
        let mut values = vec![0_u16; count];
        child
            .read_exact(bytemuck::cast_slice_mut(&mut values))
            .ok()?;
        Pixels::U16(values)
    };
    Some(Reply::Picture(layout, pixels))
}
