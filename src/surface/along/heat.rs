//! The heat kernel on a network: exact in space, rational in time.
//!
//! Density along lines of records x_i with weights w_i is the heat that is left of them
//! after the time t = σ²/2 when it flows along lines only, mixes at junctions and cannot
//! leave at dead ends (McSwiggan, Baddeley & Nair 2017, Scand. J. Statist. 44:324–345;
//! their bandwidth is our σ in metres). On one long straight line this is the normal
//! density of standard deviation σ.
//!
//! exp(−tL) is replaced by a sum of resolvents (see [`super::poles`]), and a resolvent has
//! a closed form along a chain: two running sums of decaying exponentials. Only the values
//! at junctions need a linear system, sparse and complex symmetric. There is no mesh, so
//! there is no mesh error.
//!
//! 1. The mass is the sum of the weights on every component, to rounding.
//! 2. The kernel is symmetric, and does not depend on how edges are cut or directed.
//! 3. An error of at most [`ERROR_OF_PEAK`] of the free-line peak w/(σ√(2π)) of each
//!    record; deep tails therefore have absolute, not relative accuracy.
//!
//! Cost: O(records + queries + chains) exponentials a pole, and a factorisation that
//! is nearly linear in the number of junctions on road maps.
//!
//! Poor cases: chains shorter than about 1e-6 σ lose digits, one for one; and a component of length L
//! much shorter than σ, where heat is all but even, has its level to 1e-13 (σ/L)² of it, which may be
//! more than 3. allows where σ exceeds 3 L.

use num_complex::Complex64;
use rayon::prelude::*;

use super::chain::{Chain, Chains};
use super::ldlt::{Factors, Matrix, Pattern};
use super::poles::{POLES, Pole, at_zero};
use super::stops::Stops;
use super::{EdgePoint, Field, Load};

/// Bound on the error of the heat kernel of one record, as a share of its peak on a free
/// line. The rational function errs by 4e-16; its residues of 250 and chains of 1e-4 σ
/// make about 1e-12 of that in rounding.
pub const ERROR_OF_PEAK: f64 = 1e-11;

const ZERO: Complex64 = Complex64::new(0.0, 0.0);

/// A network made ready for heat: its chains and the elimination order of its junctions.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct HeatNetwork {
    chains: Chains,
    pattern: Pattern,
    /// Where each chain's two junctions meet in the matrix; `None` for a loop.
    slots: Vec<Option<usize>>,
}

/// The junction system of one pole at one bandwidth.
pub(crate) struct Resolvent<'a> {
    /// Decay per metre.
    pub q: Complex64,
    /// exp(−qL) of each chain.
    pub through: Vec<Complex64>,
    /// 1 − exp(−2qL) of each chain.
    pub lost: Vec<Complex64>,
    pub factors: Factors<'a>,
}

impl HeatNetwork {
    /// Finds the elimination order. Once a network.
    pub fn new(chains: Chains) -> Self {
        let entries = chains.chains.iter().map(|chain| (chain.a, chain.b));
        let pattern = Pattern::new(chains.junctions(), entries);
        let slots = chains
            .chains
            .iter()
            .map(|chain| if chain.a == chain.b { None } else { pattern.entry(chain.a, chain.b) })
            .collect();
        Self { chains, pattern, slots }
    }

    /// The chains it stands on.
    pub fn chains(&self) -> &Chains {
        &self.chains
    }

    /// Row of a junction in elimination order.
    pub(crate) fn row(&self, junction: u32) -> usize {
        self.pattern.order[junction as usize] as usize
    }

    /// The rows that a solve for some junctions passes through, ascending.
    pub(crate) fn closure(&self, junctions: &[u32]) -> Vec<u32> {
        self.pattern.closure(junctions.iter().map(|&junction| self.row(junction)))
    }

    /// Sets up and factors the junction system. `sigma_m` is positive.
    pub(crate) fn resolvent(&self, pole: &Pole, sigma_m: f64) -> Resolvent<'_> {
        let q = (pole.z * (2.0 / (sigma_m * sigma_m))).sqrt();
        let mut matrix = Matrix::zero(&self.pattern);
        let (mut through, mut lost) = (Vec::new(), Vec::new());
        for (index, chain) in self.chains.chains.iter().enumerate() {
            let e = (-q * chain.length_m).exp();
            let d = -exp_m1(-q * (2.0 * chain.length_m));
            match self.slots[index] {
                Some(slot) => {
                    let own = q * (1.0 + e * e) / d;
                    matrix.diagonal[self.row(chain.a)] += own;
                    matrix.diagonal[self.row(chain.b)] += own;
                    matrix.below[slot] -= 2.0 * q * e / d;
                }
                None => {
                    let half = -exp_m1(-q * chain.length_m);
                    matrix.diagonal[self.row(chain.a)] += 2.0 * q * half / (1.0 + e);
                }
            }
            through.push(e);
            lost.push(d);
        }
        Resolvent { q, through, lost, factors: matrix.factor() }
    }

    /// Lets a load diffuse: the density at each query, and the mass that lies before it
    /// on its chain. `sigma_m` is positive and finite; positions lie on the network.
    pub fn diffuse(&self, load: &Load, queries: &[EdgePoint], sigma_m: f64) -> Field {
        let stops = Stops::sorted(&self.chains, load, queries);
        let answers = self.answers(&stops, sigma_m, false);
        let mut field = Field::zero(stops.queries);
        let scale = at_zero().recip();
        for (stop, answer) in stops.stops.iter().zip(&answers) {
            if let Some(query) = stop.query() {
                field.per_m[query] = (answer.per_m * scale).max(0.0);
                field.before[query] = answer.flux * scale;
            }
        }
        add_load_before(&stops, &mut field);
        field
    }

    /// The density at each query, and the kernel of the query with itself.
    pub(crate) fn density_and_own(&self, stops: &Stops, sigma_m: f64) -> Vec<(f64, f64)> {
        let answers = self.answers(stops, sigma_m, true);
        let (mut both, scale) = (vec![(0.0, 0.0); stops.queries], at_zero().recip());
        for (stop, answer) in stops.stops.iter().zip(&answers) {
            if let Some(query) = stop.query() {
                both[query] = (answer.per_m * scale, answer.own * scale);
            }
        }
        both
    }

    /// What the poles add up to at every stop. The junction systems are solved in parallel by
    /// pole, the chains worked on in parallel by runs of a fixed number, so that the number of
    /// threads does not show.
    fn answers(&self, stops: &Stops, sigma_m: f64, own: bool) -> Vec<Answer> {
        let solved: Vec<Solved> =
            POLES.par_iter().map(|pole| self.solve(pole, stops, sigma_m, own)).collect();
        let runs = self.chains.len().div_ceil(CHAINS_A_RUN);
        let parts: Vec<Vec<Answer>> = (0..runs)
            .into_par_iter()
            .map(|run| {
                let last = ((run + 1) * CHAINS_A_RUN).min(self.chains.len());
                let chains = run * CHAINS_A_RUN..last;
                let start = stops.starts[chains.start];
                let mut answers = vec![Answer::default(); stops.starts[last] - start];
                for chain in chains {
                    let range = stops.on(chain);
                    let here = &mut answers[range.start - start..range.end - start];
                    if stops.stops[range].iter().any(|stop| stop.query().is_some()) {
                        solved.iter().for_each(|pole| self.along(pole, stops, chain, here));
                    }
                }
                answers
            })
            .collect();
        parts.concat()
    }

    /// Solves one pole's junction system.
    fn solve(&self, pole: &Pole, stops: &Stops, sigma_m: f64, own: bool) -> Solved<'_> {
        let resolvent = self.resolvent(pole, sigma_m);
        let decay = decays(resolvent.q, stops);
        let mut at_junctions = vec![ZERO; self.chains.junctions()];
        let mut ends = Vec::with_capacity(self.chains.len());
        for (index, chain) in self.chains.chains.iter().enumerate() {
            let (from_b, from_a) = end_sums(resolvent.q, stops, &decay, index);
            if from_a != ZERO || from_b != ZERO {
                let (e, d) = (resolvent.through[index], resolvent.lost[index]);
                at_junctions[self.row(chain.a)] += (from_b - e * from_a) / d;
                at_junctions[self.row(chain.b)] += (from_a - e * from_b) / d;
            }
            ends.push((from_b, from_a));
        }
        resolvent.factors.solve(&mut at_junctions);
        let inverse = own.then(|| resolvent.factors.selected_inverse());
        let per_time = 2.0 / (sigma_m * sigma_m);
        Solved {
            value_scale: -2.0 * pole.c * per_time,
            flux_scale: -2.0 * pole.c / pole.z,
            q: resolvent.q,
            through: resolvent.through,
            lost: resolvent.lost,
            decay,
            ends,
            at_junctions,
            inverse,
        }
    }

    /// Adds one pole's share to the stops of a chain: the resolvent is what came from the side
    /// of `a` and what came from the side of `b`, each growing by the load and decaying.
    fn along(&self, pole: &Solved, stops: &Stops, chain: usize, answers: &mut [Answer]) {
        let range = stops.on(chain);
        let (here, decay) = (&stops.stops[range.clone()], &pole.decay[range]);
        let (e, d, half) = (pole.through[chain], pole.lost[chain], (2.0 * pole.q).inv());
        let Chain { a, b, .. } = self.chains.chains[chain];
        let at_a = pole.at_junctions[self.row(a)] - pole.ends[chain].0 * half;
        let at_b = pole.at_junctions[self.row(b)] - pole.ends[chain].1 * half;
        let flux_scale = pole.flux_scale * pole.q;
        let mut from_a = (at_a - e * at_b) / d;
        for ((stop, decay), answer) in here.iter().zip(decay).zip(answers.iter_mut()) {
            from_a = from_a * decay + half * (spread_over(stop.spread_per_m, *decay, pole.q) + stop.weight);
            answer.per_m += (pole.value_scale * from_a).re;
            answer.flux -= (flux_scale * from_a).re;
        }
        let mut from_b = (at_b - e * at_a) / d;
        for ((stop, decay), answer) in here.iter().zip(decay).zip(answers.iter_mut()).rev() {
            answer.per_m += (pole.value_scale * from_b).re;
            answer.flux += (flux_scale * from_b).re;
            from_b =
                (from_b + half * stop.weight) * decay + half * spread_over(stop.spread_per_m, *decay, pole.q);
        }
        if let Some(inverse) = &pole.inverse {
            self.own_along(pole, inverse, decay, chain, answers);
        }
    }

    /// Adds one pole's share to the kernel of each stop of a chain with itself.
    fn own_along(
        &self,
        pole: &Solved,
        inverse: &Matrix,
        decay: &[Complex64],
        chain: usize,
        answers: &mut [Answer],
    ) {
        let Chain { a, b, .. } = self.chains.chains[chain];
        let (z_aa, z_bb) = (inverse.diagonal[self.row(a)], inverse.diagonal[self.row(b)]);
        let z_ab = self.slots[chain].map_or(z_aa, |slot| inverse.below[slot]);
        let (lost, one) = (pole.lost[chain], Complex64::new(1.0, 0.0));
        let mut f = one;
        let mut back = vec![one; decay.len()];
        for at in (0..decay.len().saturating_sub(1)).rev() {
            back[at] = back[at + 1] * decay[at + 1];
        }
        let per_lost = lost.inv();
        let half = (2.0 * pole.q).inv();
        for ((decay, b), answer) in decay.iter().zip(back).zip(answers) {
            f *= decay;
            let (kept_a, kept_b) = (1.0 - f * f, 1.0 - b * b);
            let (at_a, at_b) = (f * kept_b * per_lost, b * kept_a * per_lost);
            let own = kept_a * kept_b * half * per_lost;
            let value = own + at_a * at_a * z_aa + 2.0 * at_a * at_b * z_ab + at_b * at_b * z_bb;
            answer.own += (pole.value_scale * value).re;
        }
    }
}

/// Chains that one thread works on at a time. A constant, not that it would show.
const CHAINS_A_RUN: usize = 128;

/// What is found at a stop, before it is scaled.
#[derive(Clone, Copy, Default)]
struct Answer {
    per_m: f64,
    flux: f64,
    own: f64,
}

/// One pole's junction system, solved.
struct Solved<'a> {
    value_scale: Complex64,
    flux_scale: Complex64,
    q: Complex64,
    through: Vec<Complex64>,
    lost: Vec<Complex64>,
    /// Decay over the gap before each stop.
    decay: Vec<Complex64>,
    /// Load that reaches each chain's end `a`, and its end `b`, along the chain.
    ends: Vec<(Complex64, Complex64)>,
    /// The resolvent at each junction, in elimination order.
    at_junctions: Vec<Complex64>,
    inverse: Option<Matrix<'a>>,
}

fn decays(q: Complex64, stops: &Stops) -> Vec<Complex64> {
    let one = Complex64::new(1.0, 0.0);
    let over = |gap_m: f64| if gap_m == 0.0 { one } else { (-q * gap_m).exp() };
    stops.stops.iter().map(|stop| over(stop.gap_m)).collect()
}

/// Load that reaches a chain's end `a`, and its end `b`, decayed on the way.
fn end_sums(q: Complex64, stops: &Stops, decay: &[Complex64], chain: usize) -> (Complex64, Complex64) {
    let range = stops.on(chain);
    let (here, decay) = (&stops.stops[range.clone()], &decay[range]);
    if here.iter().all(|stop| stop.weight == 0.0 && stop.spread_per_m == 0.0) {
        return (ZERO, ZERO);
    }
    let (mut at_a, mut at_b) = (ZERO, ZERO);
    for (stop, decay) in here.iter().zip(decay) {
        at_b = at_b * decay + spread_over(stop.spread_per_m, *decay, q) + stop.weight;
    }
    for (stop, decay) in here.iter().zip(decay).rev() {
        at_a = (at_a + stop.weight) * decay + spread_over(stop.spread_per_m, *decay, q);
    }
    (at_a, at_b)
}

/// What a metre-wise load over a gap leaves at the gap's end.
fn spread_over(per_m: f64, decay: Complex64, q: Complex64) -> Complex64 {
    if per_m == 0.0 { ZERO } else { per_m * (1.0 - decay) / q }
}

/// Adds to the flux at each query the load on its chain up to and with its position, so
/// that the difference between two queries is the mass between them.
fn add_load_before(stops: &Stops, field: &mut Field) {
    for chain in 0..stops.starts.len() - 1 {
        let mut load = 0.0;
        for stop in &stops.stops[stops.on(chain)] {
            load += stop.spread_per_m * stop.gap_m + stop.weight;
            if let Some(query) = stop.query() {
                field.before[query] += load;
            }
        }
    }
}

/// exp(x) − 1 without loss near 0.
fn exp_m1(x: Complex64) -> Complex64 {
    let half = (0.5 * x.im).sin();
    let grown = x.re.exp_m1();
    Complex64::new(grown * x.im.cos() - 2.0 * half * half, (grown + 1.0) * x.im.sin())
}
