//! A hundred random targets, each from a cold start: what the loop has to reach.

use crate::rehearsal::{Centred, Rehearsal, night, one_target};
use crate::run::Random;
use sample_fields::observatory::Setup;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

/// Servers at work at a time.
const CREWS: usize = 4;

/// Takes targets until all are done.
fn crew(next: &AtomicUsize, wanted: usize) -> (Vec<Centred>, Vec<String>) {
    let (mut centred, mut failures) = (Vec::new(), Vec::new());
    loop {
        let number = next.fetch_add(1, Ordering::Relaxed);
        if number >= wanted {
            return (centred, failures);
        }
        let setup = Setup {
            is_german: number.is_multiple_of(2),
            ..night()
        };
        // Each a cold start: a server of its own.
        let Some(rehearsal) = Rehearsal::new(setup) else {
            return (centred, failures);
        };
        let mut random = Random(1000 + number as u64);
        centred.extend(one_target(&rehearsal, &mut random, &mut failures));
    }
}

/// NIGHTFIX_CENTRE_TARGETS says how many, over four servers.
#[test]
#[ignore = "takes ten minutes"]
fn a_hundred_random_targets() {
    let wanted: usize = std::env::var("NIGHTFIX_CENTRE_TARGETS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(100);
    let (next, begin) = (AtomicUsize::new(0), Instant::now());
    let results: Vec<_> = std::thread::scope(|scope| {
        let crews: Vec<_> = (0..CREWS)
            .map(|_| scope.spawn(|| crew(&next, wanted)))
            .collect();
        crews
            .into_iter()
            .map(|crew| crew.join().expect("no wrong claim"))
            .collect()
    });
    let centred: Vec<&Centred> = results.iter().flat_map(|(centred, _)| centred).collect();
    let mut thoughts_s: Vec<f64> = centred.iter().flat_map(|c| c.thoughts_s.clone()).collect();
    thoughts_s.sort_by(f64::total_cmp);
    let count = |slews: u64| centred.iter().filter(|c| c.slews == slews).count();
    println!(
        "{} of {wanted} centred; slews 0: {}, 1: {}, 2: {}, 3: {}; {:.0} s",
        centred.len(),
        count(0),
        count(1),
        count(2),
        count(3),
        begin.elapsed().as_secs_f64()
    );
    println!(
        "from a frame to the next command: median {:.2} s, longest {:.2} s",
        thoughts_s.get(thoughts_s.len() / 2).unwrap_or(&0.0),
        thoughts_s.last().unwrap_or(&0.0)
    );
    for failure in results.iter().flat_map(|(_, failures)| failures) {
        println!("not centred: {failure}");
    }
    assert!(centred.len() * 100 >= wanted * 98);
}
