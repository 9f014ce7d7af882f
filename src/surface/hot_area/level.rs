//! The level above which a share of the mass lies, without sorting the cells.

/// A level between two values.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Level {
    /// Halfway between the lowest value taken and the next below it.
    pub level: f64,
    /// Cells above it.
    pub cells: usize,
}

/// Bits of a value that are counted at a time.
const BITS: u32 = 16;

/// Cells and mass of values that share their leading bits.
#[derive(Clone, Copy, Default)]
struct Bin {
    cells: usize,
    mass: f64,
}

/// For every share in percent the level above which the cells just hold it; `None` if the
/// surface has no mass.
///
/// The bits of positive floats are in the order of the floats. One pass counts cells and
/// mass by the upper half of the bits, one more for each bin in which a share ends by the
/// lower half.
pub(super) fn levels(values: &[f32], mass_percents: &[f64]) -> Vec<Option<Level>> {
    let upper = bins(values, |bits| Some(bits >> BITS));
    let total: f64 = upper.iter().map(|bin| bin.mass).sum();
    let level = |&percent: &f64| {
        let wanted = total * percent / 100.0;
        let (top, above) = last_bin(&upper, Bin::default(), wanted)?;
        let lower = bins(values, |bits| (bits >> BITS == top as u32).then_some(bits & ((1 << BITS) - 1)));
        let (bottom, above) = last_bin(&lower, above, wanted)?;
        let value = |top: usize, bottom: usize| f64::from(f32::from_bits((top << BITS | bottom) as u32));
        let cells = above.cells + lower[bottom].cells;
        let next = match lower[..bottom].iter().rposition(|bin| bin.cells > 0) {
            Some(bottom) => value(top, bottom),
            None => highest_below(values, (top as u32) << BITS),
        };
        Some(Level { level: 0.5 * (value(top, bottom) + next), cells })
    };
    mass_percents.iter().map(level).collect()
}

/// Counts positive values by the bin that a function gives for their bits.
fn bins(values: &[f32], bin_of: impl Fn(u32) -> Option<u32>) -> Vec<Bin> {
    let mut bins = vec![Bin::default(); 1 << BITS];
    for &value in values.iter().filter(|&&v| v > 0.0) {
        if let Some(bin) = bin_of(value.to_bits()) {
            bins[bin as usize].cells += 1;
            bins[bin as usize].mass += f64::from(value);
        }
    }
    bins
}

/// The highest bin with which, taken from the top and with what lies above them all, the
/// bins hold a mass; and what lies above it. Rounding may leave a hair missing: then the
/// lowest bin that has cells.
fn last_bin(bins: &[Bin], mut above: Bin, wanted: f64) -> Option<(usize, Bin)> {
    let mut found = None;
    for (k, bin) in bins.iter().enumerate().rev().filter(|(_, bin)| bin.cells > 0) {
        found = Some((k, above));
        if above.mass + bin.mass >= wanted {
            break;
        }
        above = Bin { cells: above.cells + bin.cells, mass: above.mass + bin.mass };
    }
    found
}

/// The highest value whose bits are below a number; 0 if there is none.
fn highest_below(values: &[f32], bits: u32) -> f64 {
    let below = values.iter().filter(|v| **v > 0.0 && v.to_bits() < bits);
    f64::from(below.copied().fold(0.0_f32, f32::max))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_agree_with_sorting() {
        let values: Vec<f32> = (0..5000_u32)
            .map(|k| match k % 50 {
                0 => f32::NAN,
                1 => 0.0,
                2 => 3.25, // many of one value
                _ => (k * 7919 % 10_007) as f32 * 1e-3 + 1e-30,
            })
            .collect();
        let mut sorted: Vec<f64> = values.iter().filter(|v| **v > 0.0).map(|&v| f64::from(v)).collect();
        sorted.sort_by(|a, b| b.total_cmp(a));
        let total: f64 = sorted.iter().sum();
        let percents = [1e-9, 10.0, 50.0, 75.0, 95.0, 99.999_999];
        for (percent, found) in percents.iter().zip(levels(&values, &percents)) {
            let found = found.unwrap();
            let held: f64 = sorted[..found.cells].iter().sum();
            assert!(held >= total * percent / 100.0 * (1.0 - 1e-12));
            let last = sorted[found.cells - 1];
            let without: f64 = sorted.iter().filter(|v| **v > last).sum();
            assert!(without < total * percent / 100.0);
            let next = sorted.get(found.cells).copied().unwrap_or(0.0);
            assert!(next < last);
            assert_eq!(found.level, 0.5 * (last + next));
        }
        assert_eq!(levels(&[0.0, f32::NAN], &[50.0]), [None]);
    }
}
