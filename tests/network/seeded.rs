//! The seeded sets of lines of `tests/golden/network/make_geos.py`, in whole steps.

use std::collections::BTreeSet;

/// A lattice point.
pub type Step = (i64, i64);

/// A segment between lattice points, the lesser first.
pub type Segment = (Step, Step);

/// splitmix64 (Steele, Lea & Flood 2014), as in the script.
struct Rng(u64);

impl Rng {
    fn below(&mut self, n: u64) -> i64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) % n) as i64
    }
}

/// The lines of a set.
pub fn lines(seed: u64) -> Vec<Vec<Step>> {
    let mut r = Rng(seed);
    let mut out = Vec::new();
    match seed % 4 {
        0 => {
            for _ in 0..8 {
                let (mut x, mut y) = (r.below(40000), r.below(40000));
                let mut path = vec![(x, y)];
                for _ in 0..25 {
                    x += r.below(12001) - 6000;
                    y += r.below(12001) - 6000;
                    path.push((x, y));
                }
                out.push(path);
            }
        }
        1 => {
            for k in 0..12 {
                out.push(vec![(k * 4000 + r.below(500), 0), (k * 4000 + 9000 + r.below(500), 50000)]);
                out.push(vec![(0, k * 4000 + r.below(500)), (50000, k * 4000 + 9000 + r.below(500))]);
            }
        }
        2 => {
            for _ in 0..12 {
                let n = 2 + r.below(4);
                out.push((0..n).map(|_| (r.below(120), r.below(120))).collect());
            }
        }
        _ => {
            for _ in 0..10 {
                let n = 2 + r.below(6);
                out.push((0..n).map(|_| (r.below(6) * 1000, r.below(6) * 1000)).collect());
            }
        }
    }
    out
}

/// FNV-1a (Fowler, Noll & Vo) over the coordinates, a word at a time, as in the script.
pub fn fingerprint(segments: &BTreeSet<Segment>) -> String {
    let words = segments.iter().flat_map(|&(a, b)| [a.0, a.1, b.0, b.1]);
    let h = words.fold(0xCBF2_9CE4_8422_2325_u64, |h, v| (h ^ v as u64).wrapping_mul(0x0100_0000_01B3));
    format!("{h:016x}")
}
