//! Telling a mount where the frames of a watch point.

use super::judge::commanded_deg;
use super::{Fault, Mount, Stop};
use crate::mount::separation_deg;

/// A mount that reports a position farther than this from the one in the frame's header has been
/// slewed since the exposure: dithering and guiding move it by arcminutes at most (common practice).
const SLEWED_DEG: f64 = 0.1;

/// Syncs `mount` to `found_deg`, where a frame points, and says in a line what became of it.
/// `stated_deg` is where the mount took itself to be during the exposure, by the frame's header. All
/// positions are ICRS, degrees. Nothing moves; without `may_sync` nothing is synced either.
///
/// # Errors
/// The connection is lost, or somebody asked to end.
pub fn tell_mount(
    mount: &mut dyn Mount,
    found_deg: [f64; 2],
    stated_deg: Option<[f64; 2]>,
    may_sync: bool,
    stop: &Stop,
) -> Result<String, Fault> {
    stop.check()?;
    let Some(stated_deg) = stated_deg else {
        return Ok("not synced: the frame does not say where the mount took itself to be".into());
    };
    let view = mount.view()?;
    if view.is_parked || view.is_moving {
        let how = if view.is_parked { "parked" } else { "moving" };
        return Ok(format!("not synced: the mount is {how}"));
    }
    let since_deg = separation_deg(view.icrs_deg, stated_deg);
    if since_deg > SLEWED_DEG {
        return Ok(format!(
            "not synced: the mount reports {since_deg:.2} degrees from where the frame says that it \
             stood: it was slewed or synced since, or the two count in different equinoxes"
        ));
    }
    // By what it has moved since, dithering say.
    let now_deg = commanded_deg(found_deg, view.icrs_deg, stated_deg);
    let off_arcmin = separation_deg(view.icrs_deg, now_deg) * 60.0;
    if !view.can_sync {
        return Ok("not synced: the mount takes no syncs".into());
    }
    if !may_sync {
        return Ok(format!(
            "the mount is {off_arcmin:.2} arcmin off; with --sync-only it would be synced"
        ));
    }
    Ok(if mount.sync(now_deg)? {
        format!("synced: the mount was {off_arcmin:.2} arcmin off")
    } else {
        "not synced: the mount does not take it (near a pole, or after it turned over, some refuse)"
            .into()
    })
}

#[cfg(test)]
mod tests {
    use super::super::View;
    use super::super::still::Still;
    use super::*;

    fn standing(at: [f64; 2]) -> Still {
        Still {
            view: View {
                numbers_deg: at,
                icrs_deg: at,
                is_tracking: Some(true),
                can_sync: true,
                ..View::default()
            },
            ..Still::default()
        }
    }

    #[test]
    fn only_a_mount_that_has_not_been_slewed_is_synced() {
        let (found, stop) = ([101.0, 21.0], Stop::default());
        let stated = Some([100.0, 20.0]);
        // It has dithered by 36 arcsec along each axis since.
        let mut mount = standing([100.01, 20.01]);
        let said = tell_mount(&mut mount, found, stated, true, &stop).unwrap();
        assert!(said.starts_with("synced: "), "{said}");
        assert!(separation_deg(mount.synced[0], [101.01, 21.01]) < 1e-9);
        for (mut mount, stated, may_sync, word) in [
            (standing([100.0, 20.2]), stated, true, "slewed or synced"),
            (standing([100.0, 20.0]), None, true, "does not say"),
            (standing([100.0, 20.0]), stated, false, "would be synced"),
        ] {
            let said = tell_mount(&mut mount, found, stated, may_sync, &stop).unwrap();
            assert!(said.contains(word) && mount.synced.is_empty(), "{said}");
        }
        let mut moving = standing([100.0, 20.0]);
        moving.view.is_moving = true;
        let said = tell_mount(&mut moving, found, stated, true, &stop).unwrap();
        assert!(
            said.contains("is moving") && moving.synced.is_empty(),
            "{said}"
        );
    }
}
