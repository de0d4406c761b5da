//! Quads of few stars, named together: see [`layout`](crate::layout).
//!
//! Quads that join each star with its neighbours in all ways share their stars. Eight stars are
//! named once for some ten quads, which then take twelve bits each.

use crate::layout::{GROUP_QUADS, GROUP_STARS};

/// Quads of few stars.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Group<'a> {
    /// Local numbers of its stars.
    pub stars: &'a [u8],
    quads: &'a [u8],
    length: usize,
}

impl<'a> Group<'a> {
    /// Number of quads.
    pub fn len(&self) -> usize {
        self.length
    }

    /// Calls `visit` with where A, B, C and D of each of its quads stand among its stars: numbers up
    /// to seven.
    #[inline(always)]
    pub fn each_quad(&self, mut visit: impl FnMut([usize; 4])) {
        let place = |bits: u32| [0, 3, 6, 9].map(|at| (bits >> at & 7) as usize);
        let pairs = self.quads.chunks_exact(3);
        let last = pairs.remainder();
        for pair in pairs {
            let bits = u32::from_le_bytes([pair[0], pair[1], pair[2], 0]);
            visit(place(bits));
            visit(place(bits >> 12));
        }
        if let [low, high] = last {
            visit(place(u32::from(u16::from_le_bytes([*low, *high]))));
        }
    }

    /// Local numbers A, B, C, D of one of its quads; `None` where it names what is not there.
    pub fn quad(&self, number: usize) -> Option<[u8; 4]> {
        let mut quads = Vec::with_capacity(GROUP_QUADS);
        self.each_quad(|quad| quads.push(quad));
        let [a, b, c, d] = *quads.get(number)?;
        let star = |place: usize| self.stars.get(place).copied();
        Some([star(a)?, star(b)?, star(c)?, star(d)?])
    }
}

/// The groups in these bytes, as far as they are whole.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Groups<'a>(pub &'a [u8]);

impl<'a> Iterator for Groups<'a> {
    type Item = Group<'a>;

    #[inline]
    fn next(&mut self) -> Option<Group<'a>> {
        let (head, rest) = self.0.split_first()?;
        let (stars, length) = (usize::from(head & 7) + 1, usize::from(head >> 3) + 1);
        let (stars, rest) = rest.split_at_checked(stars)?;
        let (quads, rest) = rest.split_at_checked((3 * length).div_ceil(2))?;
        self.0 = rest;
        Some(Group {
            stars,
            quads,
            length,
        })
    }
}

/// Appends a group: local numbers of its stars, and those of the quads, all among them.
pub(crate) fn append(bytes: &mut Vec<u8>, stars: &[u8], quads: &[[u8; 4]]) {
    bytes.push((stars.len() - 1) as u8 | ((quads.len() - 1) << 3) as u8);
    bytes.extend_from_slice(stars);
    let place = |star: u8| stars.iter().position(|&s| s == star).unwrap_or(0) as u32;
    let bits = |quad: &[u8; 4]| (0..4).fold(0, |bits, k| bits | place(quad[k]) << (3 * k));
    for pair in quads.chunks(2) {
        let both = bits(&pair[0]) | pair.get(1).map_or(0, |quad| bits(quad) << 12);
        bytes.extend_from_slice(&both.to_le_bytes()[..pair.len() + 1]);
    }
}

/// Divides the quads of a tile, given as local numbers, into groups: the stars of each, ascending,
/// and its quads as numbers into `quads`.
///
/// A group begins with the star that most quads left over name, and takes in the stars by which
/// most of these become whole.
pub(crate) fn divide(quads: &[[u8; 4]]) -> Vec<(Vec<u8>, Vec<usize>)> {
    let mut left: Vec<Vec<usize>> = vec![Vec::new(); 256];
    for (number, quad) in quads.iter().enumerate() {
        for star in quad.map(usize::from) {
            // Once, even of a quad that names a star twice.
            if left[star].last() != Some(&number) {
                left[star].push(number);
            }
        }
    }
    let mut groups = Vec::new();
    loop {
        // Of equals the first.
        let hub = (0..256).rev().max_by_key(|&star| left[star].len());
        let Some(hub) = hub.filter(|&hub| !left[hub].is_empty()) else {
            return groups;
        };
        let inside = stars_around(hub as u8, quads, &left);
        let mut members: Vec<usize> = Vec::new();
        for star in (0..256).filter(|&star| inside[star]) {
            let of_star = left[star].iter().copied();
            // Each quad once: where its A is met.
            members.extend(of_star.filter(|&number| {
                let quad = quads[number];
                usize::from(quad[0]) == star && quad.iter().all(|&s| inside[usize::from(s)])
            }));
        }
        members.truncate(GROUP_QUADS);
        let mut stars: Vec<u8> = members.iter().flat_map(|&number| quads[number]).collect();
        stars.sort_unstable();
        stars.dedup();
        for &number in &members {
            for star in quads[number] {
                left[usize::from(star)].retain(|&other| other != number);
            }
        }
        groups.push((stars, members));
    }
}

/// A star and those with which it makes most quads whole: of `left`, the quads of each star.
fn stars_around(hub: u8, quads: &[[u8; 4]], left: &[Vec<usize>]) -> [bool; 256] {
    let mut inside = [false; 256];
    inside[usize::from(hub)] = true;
    let mut chosen = vec![hub];
    while chosen.len() < GROUP_STARS {
        let mut gain = [0_u32; 256];
        for &star in &chosen {
            for &number in &left[usize::from(star)] {
                let quad = quads[number];
                let is_inside = |s: &u8| inside[usize::from(*s)];
                // Each quad once: where its first star inside is met.
                if quad.iter().copied().find(is_inside) != Some(star) {
                    continue;
                }
                let outside = quad.iter().filter(|s| !is_inside(s));
                // A quad that lacks one star counts eight times as much as one that lacks two.
                let weight = [0, 64, 8, 1][outside.clone().count().min(3)];
                outside.for_each(|&s| gain[usize::from(s)] += weight);
            }
        }
        let next = (0..=u8::MAX)
            .rev()
            .max_by_key(|&star| gain[usize::from(star)]);
        match next.filter(|&star| gain[usize::from(star)] > 0) {
            Some(star) => {
                inside[usize::from(star)] = true;
                chosen.push(star);
            }
            None => break,
        }
    }
    inside
}

#[cfg(test)]
mod tests {
    use super::*;

    /// All quads of stars 0 to 9, with A, B, C and D in two orders, and some of far stars.
    #[test]
    fn every_quad_comes_back_once() {
        let mut quads: Vec<[u8; 4]> = vec![[255, 9, 0, 17], [200, 201, 202, 203]];
        for d in 3..10 {
            for c in 2..d {
                for b in 1..c {
                    quads.extend((0..b).map(|a| match (a + d) % 2 {
                        0 => [d, a, c, b],
                        _ => [a, c, b, d],
                    }));
                }
            }
        }
        let mut bytes = Vec::new();
        let mut expected = Vec::new();
        for (stars, members) in divide(&quads) {
            let of_group: Vec<[u8; 4]> = members.iter().map(|&n| quads[n]).collect();
            append(&mut bytes, &stars, &of_group);
            expected.extend(of_group);
        }
        let found: Vec<[u8; 4]> = Groups(&bytes)
            .flat_map(|group| (0..group.len()).map(move |k| group.quad(k).unwrap()))
            .collect();
        assert_eq!(found, expected);
        expected.sort_unstable();
        quads.sort_unstable();
        assert_eq!(expected, quads);
        // 212 quads of four bytes each would take 848.
        assert!(bytes.len() < 500, "{} bytes", bytes.len());
    }
}
