//! Travel distances between the stops of a round.

use super::RoundError;

/// Travel distances in metres between the stops of a round, from row to column.
///
/// Every entry off the diagonal is finite and not negative; the diagonal is zero.
/// One-way lines make it differ from its transpose.
#[derive(Clone, PartialEq, Debug)]
pub struct TravelMatrix {
    stops: usize,
    metres: Vec<f64>,
    symmetric: bool,
}

impl TravelMatrix {
    /// A matrix from its rows, one after the other.
    ///
    /// # Errors
    /// [`RoundError::Matrix`] if there are not `stops` times `stops` entries, or if one is
    /// negative or not finite. The diagonal is taken as zero whatever it holds.
    pub fn new(stops: usize, mut metres: Vec<f64>) -> Result<Self, RoundError> {
        if metres.len() != stops * stops {
            return Err(RoundError::Matrix { stops, entries: metres.len() });
        }
        for i in 0..stops {
            metres[i * stops + i] = 0.0;
        }
        if let Some(at) = metres.iter().position(|d| !d.is_finite() || *d < 0.0) {
            return Err(RoundError::Distance { from: at / stops, to: at % stops, metres: metres[at] });
        }
        let symmetric = (0..stops).all(|i| (0..i).all(|j| metres[i * stops + j] == metres[j * stops + i]));
        Ok(Self { stops, metres, symmetric })
    }

    /// How many stops it holds.
    pub fn stops(&self) -> usize {
        self.stops
    }

    /// Metres from one stop to another.
    #[inline]
    pub fn metres(&self, from: usize, to: usize) -> f64 {
        self.metres[from * self.stops + to]
    }

    /// Whether every distance is the same both ways.
    pub fn is_symmetric(&self) -> bool {
        self.symmetric
    }

    /// Length in metres of a way through the stops in the order given; it does not close.
    pub fn path_m(&self, order: &[usize]) -> f64 {
        order.windows(2).map(|leg| self.metres(leg[0], leg[1])).sum()
    }

    /// The smaller of the two directions for every pair: no directed tour is shorter than
    /// the shortest tour over it.
    pub fn lesser(&self) -> TravelMatrix {
        let n = self.stops;
        let mut metres = self.metres.clone();
        for i in 0..n {
            for j in 0..n {
                metres[i * n + j] = self.metres(i, j).min(self.metres(j, i));
            }
        }
        TravelMatrix { stops: n, metres, symmetric: true }
    }

    /// The matrix of some of its stops, in the order given.
    pub fn of_stops(&self, stops: &[usize]) -> TravelMatrix {
        let metres = stops.iter().flat_map(|&i| stops.iter().map(move |&j| self.metres(i, j))).collect();
        TravelMatrix { stops: stops.len(), metres, symmetric: self.symmetric }
    }

    /// The matrix with one more stop, the last, that makes an open way into a closed tour:
    /// it costs nothing to reach or leave, and the stops in `ends` (the start is stop 0) are
    /// bound to it by so large a reward that no better tour parts them.
    pub(super) fn closed_by(&self, ends: &[(usize, f64)]) -> TravelMatrix {
        let n = self.stops + 1;
        let mut metres = vec![0.0; n * n];
        for i in 0..self.stops {
            for j in 0..self.stops {
                metres[i * n + j] = self.metres(i, j);
            }
        }
        for &(stop, reward_m) in ends {
            // Where direction counts, the way leaves the helping stop for the start and comes
            // back to it from the end.
            if self.symmetric || stop != 0 {
                metres[stop * n + n - 1] = -reward_m;
            }
            if self.symmetric || stop == 0 {
                metres[(n - 1) * n + stop] = -reward_m;
            }
        }
        TravelMatrix { stops: n, metres, symmetric: self.symmetric }
    }

    /// Sets both directions between two stops, to any length.
    pub(super) fn set_both(&mut self, a: usize, b: usize, metres: f64) {
        self.metres[a * self.stops + b] = metres;
        self.metres[b * self.stops + a] = metres;
    }

    /// The largest entry in metres, zero for a single stop.
    pub fn largest_m(&self) -> f64 {
        self.metres.iter().copied().fold(0.0, f64::max)
    }
}
