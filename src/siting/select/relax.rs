//! The linear relaxation and its bound: at most one of each clique, as shares.
//!
//! Primal-dual hybrid gradient with diagonal steps (Chambolle & Pock 2011,
//! doi:10.1007/s10851-010-0251-1; Pock & Chambolle 2011, doi:10.1109/ICCV.2011.6126441)
//! and restarts to the average (Applegate, Hinder, Lu & Lubin 2023,
//! doi:10.1007/s10107-022-01901-9).

/// Moves of primal or dual shorter than this say nothing of the balance between their steps.
const LEAST_MOVE: f64 = 1e-9;
/// The balance between primal and dual steps stays within this factor of even.
const WIDEST_BALANCE: f64 = 1e4;
/// Keeps the step of an empty row or column finite.
const LEAST_SUM: f64 = 1e-12;

/// Maximise `gain · x` subject to `rows x <= limit` and `0 <= x <= 1`, all sparse.
pub(super) struct Relaxation {
    pub gain: Vec<f64>,
    limit: Vec<f64>,
    /// Row by row: (column, coefficient).
    start: Vec<usize>,
    column: Vec<u32>,
    coefficient: Vec<f64>,
}

impl Relaxation {
    /// A problem without rows.
    pub fn new(gain: Vec<f64>) -> Self {
        Self { gain, limit: Vec::new(), start: vec![0], column: Vec::new(), coefficient: Vec::new() }
    }

    /// Adds `sum of coefficient x <= limit`.
    pub fn add_row(&mut self, members: impl Iterator<Item = (u32, f64)>, limit: f64) {
        for (column, coefficient) in members {
            self.column.push(column);
            self.coefficient.push(coefficient);
        }
        self.start.push(self.column.len());
        self.limit.push(limit);
    }

    /// Number of coefficients: the work of half an iteration.
    pub fn coefficients(&self) -> usize {
        self.column.len()
    }

    pub fn rows(&self) -> usize {
        self.limit.len()
    }

    fn row(&self, r: usize) -> impl Iterator<Item = (usize, f64)> + '_ {
        let span = self.start[r]..self.start[r + 1];
        self.column[span.clone()].iter().map(|&c| c as usize).zip(self.coefficient[span].iter().copied())
    }

    /// How much of its limit a row uses. Four sums side by side: one would wait for each addition.
    fn used(&self, r: usize, x: &[f64]) -> f64 {
        let span = self.start[r]..self.start[r + 1];
        let (columns, last_columns) = self.column[span.clone()].as_chunks::<4>();
        let (coefficients, last) = self.coefficient[span].as_chunks::<4>();
        let mut sums = [0.0; 4];
        for (c, a) in columns.iter().zip(coefficients) {
            for k in 0..4 {
                sums[k] += a[k] * x[c[k] as usize];
            }
        }
        let rest: f64 = last_columns.iter().zip(last).map(|(&c, a)| a * x[c as usize]).sum();
        sums.iter().sum::<f64>() + rest
    }

    /// `gain − rowsᵀ price`: what each column is worth once its rows are paid for.
    pub fn reduced(&self, price: &[f64], reduced: &mut Vec<f64>) {
        reduced.clear();
        reduced.extend_from_slice(&self.gain);
        for (r, &p) in price.iter().enumerate() {
            if p != 0.0 {
                for (c, a) in self.row(r) {
                    reduced[c] -= a * p;
                }
            }
        }
    }

    /// The upper bound that prices prove, whatever they are as long as none is negative.
    pub fn bound(&self, price: &[f64], reduced: &[f64]) -> f64 {
        let rows: f64 = price.iter().zip(&self.limit).map(|(p, b)| p * b).sum();
        rows + reduced.iter().map(|r| r.max(0.0)).sum::<f64>()
    }
}

/// Where the iteration stands: shares `x`, prices `y`, their averages since the last
/// restart, and what the restart rule needs.
pub(super) struct Iterate {
    pub x: Vec<f64>,
    pub y: Vec<f64>,
    pub x_mean: Vec<f64>,
    pub y_mean: Vec<f64>,
    x_anchor: Vec<f64>,
    y_anchor: Vec<f64>,
    since_restart: usize,
    /// Balance of the steps: primal steps shrink and dual steps grow with it.
    balance: f64,
    gap_at_restart: f64,
    gap_last: f64,
    reduced: Vec<f64>,
    ahead: Vec<f64>,
}

impl Iterate {
    /// All shares and prices zero.
    pub fn new(problem: &Relaxation) -> Self {
        let (n, m) = (problem.gain.len(), problem.rows());
        Self {
            x: vec![0.0; n],
            y: vec![0.0; m],
            x_mean: vec![0.0; n],
            y_mean: vec![0.0; m],
            x_anchor: vec![0.0; n],
            y_anchor: vec![0.0; m],
            since_restart: 0,
            balance: 1.0,
            gap_at_restart: f64::INFINITY,
            gap_last: f64::INFINITY,
            reduced: Vec::new(),
            ahead: vec![0.0; n],
        }
    }

    /// Makes room for rows added to the problem since.
    pub fn widen(&mut self, problem: &Relaxation) {
        for prices in [&mut self.y, &mut self.y_mean, &mut self.y_anchor] {
            prices.resize(problem.rows(), 0.0);
        }
        self.gap_at_restart = f64::INFINITY;
        self.gap_last = f64::INFINITY;
    }

    /// Runs some iterations, then restarts from the average or the last point if the rule
    /// asks for it. Cost of one iteration: twice the number of coefficients.
    pub fn run(&mut self, problem: &Relaxation, iterations: usize) {
        let (tau, sigma) = steps(problem);
        for _ in 0..iterations {
            problem.reduced(&self.y, &mut self.reduced);
            let columns = self.x.iter_mut().zip(&mut self.ahead).zip(tau.iter().zip(&self.reduced));
            for ((x, ahead), (tau, reduced)) in columns {
                let next = (*x + tau / self.balance * reduced).clamp(0.0, 1.0);
                *ahead = 2.0 * next - *x;
                *x = next;
            }
            for (r, (y, sigma)) in self.y.iter_mut().zip(&sigma).enumerate() {
                let used = problem.used(r, &self.ahead);
                *y = (*y + sigma * self.balance * (used - problem.limit[r])).max(0.0);
            }
            self.since_restart += 1;
            let share = 1.0 / self.since_restart as f64;
            mix(&mut self.x_mean, &self.x, share);
            mix(&mut self.y_mean, &self.y, share);
        }
        self.restart_if_due(problem);
    }

    /// Restart when the residual fell to a fifth, or to four fifths and no longer falls, or
    /// when the run since the last restart is long.
    fn restart_if_due(&mut self, problem: &Relaxation) {
        let last = self.residual(problem, false);
        let mean = self.residual(problem, true);
        let best = last.min(mean);
        let due = best <= 0.2 * self.gap_at_restart
            || best <= 0.8 * self.gap_at_restart && best > self.gap_last
            || self.since_restart > 1000;
        self.gap_last = best;
        if !due {
            return;
        }
        if mean < last {
            self.x.copy_from_slice(&self.x_mean);
            self.y.copy_from_slice(&self.y_mean);
        }
        let (moved_x, moved_y) = (apart(&self.x, &self.x_anchor), apart(&self.y, &self.y_anchor));
        if moved_x > LEAST_MOVE && moved_y > LEAST_MOVE {
            let wanted = (moved_y / moved_x).clamp(1.0 / WIDEST_BALANCE, WIDEST_BALANCE);
            self.balance = (0.5 * wanted.ln() + 0.5 * self.balance.ln()).exp();
        }
        self.x_anchor.copy_from_slice(&self.x);
        self.y_anchor.copy_from_slice(&self.y);
        self.x_mean.copy_from_slice(&self.x);
        self.y_mean.copy_from_slice(&self.y);
        self.since_restart = 0;
        self.gap_at_restart = best;
        self.gap_last = f64::INFINITY;
    }

    /// How far a point is from optimal: duality gap plus how far rows are overfull.
    fn residual(&mut self, problem: &Relaxation, mean: bool) -> f64 {
        let (x, y) = if mean { (&self.x_mean, &self.y_mean) } else { (&self.x, &self.y) };
        problem.reduced(y, &mut self.reduced);
        let bound = problem.bound(y, &self.reduced);
        let value: f64 = x.iter().zip(&problem.gain).map(|(x, g)| x * g).sum();
        let over: f64 = (0..problem.rows())
            .map(|r| {
                let used = problem.used(r, x);
                (used - problem.limit[r]).max(0.0).powi(2)
            })
            .sum();
        (bound - value).abs() / (1.0 + bound.abs()) + over.sqrt() / (1.0 + (problem.rows() as f64).sqrt())
    }
}

fn steps(problem: &Relaxation) -> (Vec<f64>, Vec<f64>) {
    let mut of_column = vec![0.0; problem.gain.len()];
    let mut of_row = vec![0.0; problem.rows()];
    for (r, total) in of_row.iter_mut().enumerate() {
        for (c, a) in problem.row(r) {
            of_column[c] += a.abs();
            *total += a.abs();
        }
    }
    let invert = |sums: Vec<f64>| sums.into_iter().map(|s: f64| 1.0 / s.max(LEAST_SUM)).collect();
    (invert(of_column), invert(of_row))
}

fn mix(mean: &mut [f64], value: &[f64], share: f64) {
    for (m, v) in mean.iter_mut().zip(value) {
        *m += (v - *m) * share;
    }
}

fn apart(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b) * (a - b)).sum::<f64>().sqrt()
}
