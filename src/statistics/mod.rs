//! Quantiles, intervals and roots that always end.
//!
//! Every search here halves a range that is known to hold the answer, or steps inside one, and takes at most a
//! fixed number of steps; every series has a bound on its terms. The rooms below use these instead of
//! quantiles that look for their own range, which need not end.

mod gamma;
mod interval;
mod root;

pub use gamma::gamma_quantile;
pub use interval::{Interval, gamma_interval, garwood};
pub use root::bisect;
