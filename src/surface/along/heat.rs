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
//! A poor case: chains shorter than about 1e-6 σ lose digits, one for one.

use num_complex::Complex64;
use rayon::prelude::*;

use super::chain::Chains;
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

    pub(crate) fn slot(&self, chain: usize) -> Option<usize> {
        self.slots[chain]
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
    ///
    /// The poles are worked on in parallel and added in order.
    pub fn diffuse(&self, load: &Load, queries: &[EdgePoint], sigma_m: f64) -> Field {
        let stops = Stops::sorted(&self.chains, load, queries);
        self.diffuse_sorted(&stops, sigma_m)
    }

    pub(crate) fn diffuse_sorted(&self, stops: &Stops, sigma_m: f64) -> Field {
        let parts: Vec<Field> = POLES.par_iter().map(|pole| self.one_pole(pole, stops, sigma_m)).collect();
        let mut field = Field::zero(stops.queries);
        for part in &parts {
            field.add(part);
        }
        let scale = at_zero().recip();
        field.per_m.iter_mut().for_each(|value| *value = (*value * scale).max(0.0));
        field.before.iter_mut().for_each(|value| *value *= scale);
        add_load_before(stops, &mut field);
        field
    }

    /// One pole's share of density and of flux.
    fn one_pole(&self, pole: &Pole, stops: &Stops, sigma_m: f64) -> Field {
        let resolvent = self.resolvent(pole, sigma_m);
        let sums = RunningSums::of(&resolvent, stops);
        let at_junctions = self.junction_values(&resolvent, &sums);
        let mut field = Field::zero(stops.queries);
        let value_scale = -2.0 * pole.c * (2.0 / (sigma_m * sigma_m));
        let flux_scale = -2.0 * pole.c / pole.z;
        for (index, chain) in self.chains.chains.iter().enumerate() {
            let ends = [at_junctions[self.row(chain.a)], at_junctions[self.row(chain.b)]];
            sums.along(&resolvent, stops, index, ends, |query, u, slope| {
                field.per_m[query] += (value_scale * u).re;
                field.before[query] += (flux_scale * slope).re;
            });
        }
        field
    }

    fn junction_values(&self, resolvent: &Resolvent, sums: &RunningSums) -> Vec<Complex64> {
        let mut right = vec![ZERO; self.chains.junctions()];
        for (index, chain) in self.chains.chains.iter().enumerate() {
            let (from_b, from_a) = sums.ends[index];
            if from_a != ZERO || from_b != ZERO {
                let (e, d) = (resolvent.through[index], resolvent.lost[index]);
                right[self.row(chain.a)] += (from_b - e * from_a) / d;
                right[self.row(chain.b)] += (from_a - e * from_b) / d;
            }
        }
        resolvent.factors.solve(&mut right);
        right
    }
}

/// Load that reaches each stop along its own chain, decayed: from the side of `a` and
/// from the side of `b`.
struct RunningSums {
    /// Decay over the gap before each stop.
    decay: Vec<Complex64>,
    /// From the side of `a`, load at the stop included.
    from_a: Vec<Complex64>,
    /// From the side of `b`, load at the stop left out.
    from_b: Vec<Complex64>,
    /// The sum from `b` at the end `a`, and the sum from `a` at the end `b`.
    ends: Vec<(Complex64, Complex64)>,
}

impl RunningSums {
    fn of(resolvent: &Resolvent, stops: &Stops) -> Self {
        let (q, count) = (resolvent.q, stops.stops.len());
        let one = Complex64::new(1.0, 0.0);
        let over = |gap_m: f64| if gap_m == 0.0 { one } else { (-q * gap_m).exp() };
        let decay: Vec<_> = stops.stops.iter().map(|stop| over(stop.gap_m)).collect();
        let (mut from_a, mut from_b) = (vec![ZERO; count], vec![ZERO; count]);
        let mut ends = Vec::with_capacity(stops.starts.len());
        for chain in 0..stops.starts.len() - 1 {
            let range = stops.on(chain);
            let mut sum = ZERO;
            for at in range.clone() {
                let stop = &stops.stops[at];
                sum = sum * decay[at] + spread_over(stop.spread_per_m, decay[at], q) + stop.weight;
                from_a[at] = sum;
            }
            let at_b = sum;
            sum = ZERO;
            for at in range.rev() {
                let stop = &stops.stops[at];
                from_b[at] = sum;
                sum = (sum + stop.weight) * decay[at] + spread_over(stop.spread_per_m, decay[at], q);
            }
            ends.push((sum, at_b));
        }
        Self { decay, from_a, from_b, ends }
    }

    /// The resolvent and its slope at the queries of one chain, given its junction values.
    fn along(
        &self,
        resolvent: &Resolvent,
        stops: &Stops,
        chain: usize,
        at_junctions: [Complex64; 2],
        mut answer: impl FnMut(usize, Complex64, Complex64),
    ) {
        let range = stops.on(chain);
        if !stops.stops[range.clone()].iter().any(|stop| stop.query().is_some()) {
            return;
        }
        let (q, e, d) = (resolvent.q, resolvent.through[chain], resolvent.lost[chain]);
        let half = (2.0 * q).inv();
        let [at_a, at_b] =
            [at_junctions[0] - self.ends[chain].0 * half, at_junctions[1] - self.ends[chain].1 * half];
        let (alpha, beta) = ((at_a - e * at_b) / d, (at_b - e * at_a) / d);
        let mut decayed = alpha;
        let rising: Vec<Complex64> = self.back_from_b(range.clone(), beta);
        for (at, &from_b_end) in range.clone().zip(&rising) {
            decayed *= self.decay[at];
            if let Some(query) = stops.stops[at].query() {
                let u = decayed + from_b_end + (self.from_a[at] + self.from_b[at]) * half;
                let slope = q * (from_b_end - decayed) + 0.5 * (self.from_b[at] - self.from_a[at]);
                answer(query, u, slope);
            }
        }
    }

    /// A value at the end `b`, decayed back to each stop of its chain.
    fn back_from_b(&self, range: std::ops::Range<usize>, value: Complex64) -> Vec<Complex64> {
        let mut decayed = vec![value; range.len()];
        for at in (0..range.len().saturating_sub(1)).rev() {
            decayed[at] = decayed[at + 1] * self.decay[range.start + at + 1];
        }
        decayed
    }
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
