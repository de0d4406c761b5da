//! Runs that are ended or killed at random moments.

use crate::rehearsal::{Rehearsal, night, one_target, place_above, text};
use crate::run::Random;
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

const KILLS: u64 = 30;
/// Observatories at work at a time.
const CREWS: usize = 6;
/// The second process sees the mount stand within this.
const STANDS_WITHIN: Duration = Duration::from_secs(10);

fn stands_within(rehearsal: &Rehearsal, limit: Duration) -> bool {
    let begin = Instant::now();
    while rehearsal.is_moving() {
        if begin.elapsed() > limit {
            return false;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    true
}

/// Ends a run by a signal, up to 4 s after its start; whether a slew was under way.
fn one_kill(rehearsal: &Rehearsal, signal: &str, random: &mut Random) -> bool {
    rehearsal.place(place_above(&rehearsal.setup, 20.0, random));
    let target = text(place_above(&rehearsal.setup, 20.0, random));
    let mut child = rehearsal
        .command(&target, &["--move", "--sync"])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("it starts");
    std::thread::sleep(Duration::from_secs_f64(0.2 + 3.8 * random.next()));
    let was_moving = rehearsal.is_moving();
    let asked = Command::new("kill")
        .args([signal, &child.id().to_string()])
        .status();
    assert!(asked.expect("kill").success());
    let status = child.wait().expect("it ends");
    if signal == "-KILL" {
        assert!(stands_within(rehearsal, STANDS_WITHIN), "it goes on moving");
    } else {
        // The run itself saw it stand before it ended.
        assert!(matches!(status.code(), Some(0 | 130)), "{status:?}");
        assert!(!rehearsal.is_moving(), "it goes on moving");
    }
    was_moving
}

#[test]
fn a_run_that_is_ended_or_killed_leaves_the_mount_standing() {
    let (next, moving) = (AtomicU64::new(0), AtomicU64::new(0));
    std::thread::scope(|scope| {
        for _ in 0..CREWS {
            scope.spawn(|| {
                let Some(rehearsal) = Rehearsal::new(night()) else {
                    return;
                };
                loop {
                    let number = next.fetch_add(1, Ordering::Relaxed);
                    if number >= KILLS {
                        break;
                    }
                    let mut random = Random(400 + number);
                    let signal = ["-KILL", "-TERM", "-INT"][(number % 3) as usize];
                    let was_moving = one_kill(&rehearsal, signal, &mut random);
                    moving.fetch_add(u64::from(was_moving), Ordering::Relaxed);
                }
                // And the next run succeeds.
                let (mut random, mut failures) = (Random(4), Vec::new());
                one_target(&rehearsal, &mut random, &mut failures);
                assert!(failures.is_empty(), "{failures:#?}");
            });
        }
    });
    let (kills, moving) = (next.into_inner() >= KILLS, moving.into_inner());
    eprintln!("{moving} of {KILLS} runs were ended while the mount was moving");
    // Else the moments were chosen so that nothing was tested.
    assert!(!kills || moving >= KILLS / 3);
}
