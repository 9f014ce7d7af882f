//! Equal splits by waves: the weight of all records runs out together.
//!
//! Walks from single records explode: every junction multiplies them. But where a walk
//! came from does not matter for where it goes on. So all weight that enters a chain at
//! one end after nearly the same distance goes on as one *packet*, whatever records and
//! ways it came by, and the cost is bounded by chain ends times steps of distance.
//!
//! A packet keeps the moments of its distances up to the fifth, about the middle of its
//! step. Every kernel of ours but the normal curve is a polynomial of at most the fourth
//! degree within its reach, and its tail one of the fifth: for them a packet is as good as
//! its walks, except where the kernel's end falls between them. How much that is worth is
//! measured: see [`error`].

use super::chain::{Chain, ChainEnd, Chains};
use super::walk::SplitRule;
use crate::surface::Kernel;

/// Steps of distance to the kernel's reach, at least.
const STEPS: f64 = 512.0;
/// A step is at most this share of the median chain: wider ones would mix walks of many
/// numbers of chains.
const SHARE_OF_CHAIN: f64 = 0.25;
/// Packets with less than this share of the largest weight that set out are given up.
const LEAST_SHARE: f64 = 1e-14;
/// Packet arrivals that a request may cost: a few seconds' work.
const MOST_ARRIVALS: f64 = 2e8;
/// Chains that set out together at first; more if their surroundings would mostly be the
/// same.
const CHAINS_A_BLOCK: usize = 512;
/// Moments kept.
pub(crate) const MOMENTS: usize = 6;

/// The largest error at a position, as a share of the greatest density: measured with 10,000
/// records on 200 km of tracks at σ 100 m and 1 km, against four times as many steps, and
/// rounded up. The uniform kernel jumps at its end; its jumps may lie a step or two off.
pub(crate) fn error(kernel: Kernel) -> f64 {
    match kernel {
        Kernel::Quartic => 3e-5,
        Kernel::Gaussian => 1e-5,
        Kernel::Epanechnikov | Kernel::Triangular => 1e-4,
        Kernel::Uniform => 2e-2,
    }
}

const NONE: u32 = u32::MAX;

/// Pascal's triangle.
const CHOOSE: [[f64; MOMENTS]; MOMENTS] = [
    [1.0, 0.0, 0.0, 0.0, 0.0, 0.0],
    [1.0, 1.0, 0.0, 0.0, 0.0, 0.0],
    [1.0, 2.0, 1.0, 0.0, 0.0, 0.0],
    [1.0, 3.0, 3.0, 1.0, 0.0, 0.0],
    [1.0, 4.0, 6.0, 4.0, 1.0, 0.0],
    [1.0, 5.0, 10.0, 10.0, 5.0, 1.0],
];

/// Weight that leaves a chain: at one distance, or evenly over a range of distances.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Start {
    /// The end it leaves by.
    pub exit: ChainEnd,
    /// Metres to the exit, from the nearest weight.
    pub near_m: f64,
    /// Metres to the exit, from the furthest weight; equal to `near_m` for a point.
    pub far_m: f64,
    /// All of the weight.
    pub weight: f64,
}

/// Weight that enters a chain after nearly the same distance.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Packet {
    /// Its entry: twice the chain's number in the region, one more for the end `b`.
    entry: u32,
    /// Σ w (d − c)^j, with d in steps and c the middle of the packet's step.
    pub moments: [f64; MOMENTS],
    /// Its size, and size times distance in steps: their ratio is its middle.
    size: f64,
    size_at: f64,
}

impl Packet {
    fn middle(&self) -> f64 {
        self.size_at / self.size
    }

    /// How much it can still do: its weight and, where weights cancel, their lever.
    fn force(&self) -> f64 {
        self.moments[0].abs() + self.moments[1].abs()
    }

    fn add(&mut self, other: &Packet, share: f64) {
        for (sum, moment) in self.moments.iter_mut().zip(other.moments) {
            *sum += share * moment;
        }
        self.size += share.abs() * other.size;
        self.size_at += share.abs() * other.size_at;
    }

    /// The moments about another middle, `by` steps back.
    fn moved(&self, by: f64) -> [f64; MOMENTS] {
        let mut powers = [1.0; MOMENTS];
        for j in 1..MOMENTS {
            powers[j] = powers[j - 1] * by;
        }
        std::array::from_fn(|j| (0..=j).map(|i| CHOOSE[j][i] * powers[j - i] * self.moments[i]).sum())
    }
}

/// A passage of a packet over a chain.
pub(crate) struct Passage<'a> {
    pub chain: u32,
    /// Whether it enters at the end `b` and runs against the chain.
    pub from_b: bool,
    /// Metres that the middle of the packet has come.
    pub middle_m: f64,
    /// Metres about which its moments are.
    pub centre_m: f64,
    pub moments: &'a [f64; MOMENTS],
}

/// How fine waves are on a network, and how far they go.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Ruler {
    pub step_m: f64,
    steps: usize,
}

impl Ruler {
    /// The steps for a reach; `None` if it would take too many arrivals.
    pub fn new(chains: &Chains, reach_m: f64) -> Option<Self> {
        let mut lengths: Vec<f64> = chains.chains.iter().map(|chain| chain.length_m).collect();
        lengths.sort_unstable_by(f64::total_cmp);
        let median_m = lengths.get(lengths.len() / 2).copied().unwrap_or(reach_m);
        let steps = (reach_m / (SHARE_OF_CHAIN * median_m)).max(STEPS).ceil();
        let ways = |junction: u32| chains.ends[junction as usize].len() as f64;
        // Over a chain shorter than a step a packet goes to and fro within the step.
        let arrivals =
            |chain: &Chain| (reach_m / chain.length_m).max(steps) * (ways(chain.a) + ways(chain.b));
        let total: f64 = chains.chains.iter().map(arrivals).sum();
        (total <= MOST_ARRIVALS).then_some(Self { step_m: reach_m / steps, steps: steps as usize })
    }
}

/// The chains whose weight sets out together, and those that it can reach.
pub(crate) struct Block {
    /// Chains that it sets out from.
    pub from: Vec<u32>,
    /// Chains that it may pass over, ascending.
    region: Vec<u32>,
}

/// Shares chains out to blocks of neighbours. The blocks do not depend on the number of
/// threads.
pub(crate) fn blocks(chains: &Chains, reach_m: f64) -> Vec<Block> {
    let order = chains.in_neighbourhoods();
    let mut size = CHAINS_A_BLOCK;
    loop {
        let blocks: Vec<Block> = order.chunks(size).map(|from| block(chains, from, reach_m)).collect();
        let reached: usize = blocks.iter().map(|block| block.region.len()).sum();
        if blocks.len() <= 1 || reached <= 2 * chains.len() {
            return blocks;
        }
        size *= 2;
    }
}

fn block(chains: &Chains, from: &[u32], reach_m: f64) -> Block {
    let ends = from.iter().flat_map(|&chain| {
        let Chain { a, b, .. } = chains.chains[chain as usize];
        [a, b]
    });
    let junctions = chains.junctions_within(ends, reach_m);
    let mut region: Vec<u32> =
        junctions.iter().flat_map(|&at| chains.ends[at as usize].iter().map(|end| end.chain)).collect();
    region.sort_unstable();
    region.dedup();
    Block { from: from.to_vec(), region }
}

/// Lets the weight of one block run out, and shows every passage of a packet.
pub(crate) fn run(
    chains: &Chains,
    rule: SplitRule,
    ruler: Ruler,
    block: &Block,
    starts: impl IntoIterator<Item = Start>,
    mut show: impl FnMut(Passage),
) {
    let mut waves = Waves::new(chains, rule, ruler, block);
    starts.into_iter().for_each(|start| waves.set_out(start));
    for step in 0..ruler.steps {
        // Packets that come back within the step come in the next round.
        while !waves.due[step].is_empty() {
            let round = std::mem::take(&mut waves.due[step]);
            round.iter().for_each(|packet| waves.forget(packet.entry, step));
            for packet in &round {
                if packet.force() > waves.least {
                    show(waves.passage(packet, step));
                    waves.pass(packet, step);
                }
            }
        }
    }
}

/// Packets on their way.
struct Waves<'a> {
    chains: &'a Chains,
    rule: SplitRule,
    ruler: Ruler,
    region: &'a [u32],
    /// Number of each chain in the region.
    local: Vec<u32>,
    /// Packets by the step in which they enter their chain.
    due: Vec<Vec<Packet>>,
    /// Where the packet of an entry stands among those of a step, by entry and step.
    slots: Vec<u32>,
    least: f64,
}

impl<'a> Waves<'a> {
    fn new(chains: &'a Chains, rule: SplitRule, ruler: Ruler, block: &'a Block) -> Self {
        let slots = vec![NONE; 2 * block.region.len() * ruler.steps];
        let due = vec![Vec::new(); ruler.steps];
        let mut local = vec![NONE; chains.len()];
        for (&chain, number) in block.region.iter().zip(0..) {
            local[chain as usize] = number;
        }
        Self { chains, rule, ruler, region: &block.region, local, due, slots, least: 0.0 }
    }

    fn forget(&mut self, entry: u32, step: usize) {
        self.slots[entry as usize * self.ruler.steps + step] = NONE;
    }

    fn chain_of(&self, packet: &Packet) -> (u32, bool) {
        (self.region[packet.entry as usize / 2], packet.entry % 2 == 1)
    }

    fn passage<'p>(&self, packet: &'p Packet, step: usize) -> Passage<'p> {
        let (chain, from_b) = self.chain_of(packet);
        Passage {
            chain,
            from_b,
            middle_m: packet.middle() * self.ruler.step_m,
            centre_m: (step as f64 + 0.5) * self.ruler.step_m,
            moments: &packet.moments,
        }
    }

    /// Divides a start over the steps that it covers.
    fn set_out(&mut self, start: Start) {
        self.least = self.least.max(LEAST_SHARE * start.weight.abs());
        let (near, far) = (start.near_m / self.ruler.step_m, start.far_m / self.ruler.step_m);
        let mut step = near.max(0.0) as usize;
        while step < self.ruler.steps && step as f64 <= far {
            let centre = step as f64 + 0.5;
            let (low, high) = (near.max(step as f64) - centre, far.min(step as f64 + 1.0) - centre);
            if far == near || high > low {
                let (share, middle) =
                    if far == near { (1.0, low) } else { ((high - low) / (far - near), 0.5 * (low + high)) };
                let weight = start.weight * share;
                let moment = |j: usize| weight * mean_power(low, high, j);
                let moments = std::array::from_fn(moment);
                let (size, size_at) = (weight.abs(), weight.abs() * (centre + middle));
                self.scatter(start.exit, step, &Packet { entry: 0, moments, size, size_at });
            }
            step += 1;
        }
    }

    /// Takes a packet over its chain to the junction at the other end.
    fn pass(&mut self, packet: &Packet, step: usize) {
        let (chain, from_b) = self.chain_of(packet);
        let length = self.chains.chains[chain as usize].length_m / self.ruler.step_m;
        let middle = packet.middle() + length;
        if middle < self.ruler.steps as f64 {
            let arrives = middle as usize;
            let moments = packet.moved(step as f64 + length - arrives as f64);
            let size = packet.force();
            let arrived = Packet { entry: 0, moments, size, size_at: size * middle };
            self.scatter(ChainEnd { chain, far: !from_b }, arrives, &arrived);
        }
    }

    /// Divides what arrives at a chain's end among the ways there.
    fn scatter(&mut self, arrived: ChainEnd, step: usize, packet: &Packet) {
        let chains = self.chains;
        let Chain { a, b, .. } = chains.chains[arrived.chain as usize];
        let ways = &chains.ends[if arrived.far { b } else { a } as usize];
        let (onward, back) = self.rule.shares(ways.len());
        for &way in ways {
            let share = if way == arrived { back } else { onward };
            if share != 0.0 {
                self.add(way, step, packet, share);
            }
        }
    }

    fn add(&mut self, way: ChainEnd, step: usize, packet: &Packet, share: f64) {
        let at = self.local[way.chain as usize];
        if at == NONE {
            // A chain outside the region lies beyond the reach.
            return;
        }
        let entry = 2 * at as usize + usize::from(way.far);
        let slot = &mut self.slots[entry * self.ruler.steps + step];
        let due = &mut self.due[step];
        if *slot == NONE {
            *slot = due.len() as u32;
            due.push(Packet { entry: entry as u32, moments: [0.0; MOMENTS], size: 0.0, size_at: 0.0 });
        }
        due[*slot as usize].add(packet, share);
    }
}

/// The mean of x^j over a range; the power itself where the range is a point.
fn mean_power(low: f64, high: f64, j: usize) -> f64 {
    if high > low {
        let power = j as i32 + 1;
        (high.powi(power) - low.powi(power)) / (f64::from(power) * (high - low))
    } else {
        low.powi(j as i32)
    }
}
