//! The passive index of tracking plots read day by day.

/// Sign per plot and day, with its variance.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct PassiveIndex {
    /// Mean over days of the mean over the plots that could be read.
    pub index: f64,
    /// Variance of the index; `None` unless every plot was read every day, on at least two
    /// plots and two days.
    pub variance: Option<f64>,
    /// Plots.
    pub plots: usize,
    /// Days on which any plot could be read.
    pub days: usize,
}

/// The passive tracking index (Engeman & Allen 2000, Integrated Pest Management Reviews
/// 5:197–203): counts of plot i on day j are `counts[i][j]`, `None` where it could not be
/// read.
///
/// The variance is that of plots and days as crossed random effects (Engeman 2005, Wildlife
/// Research 32:203–210): v_plot/s + v_day/d + v_error/(s d), which for complete data is
/// (MS_plot + MS_day − MS_error)/(s d). A negative estimate is given as 0. `None` without any
/// readable plot.
pub fn passive_index(counts: &[Vec<Option<f64>>]) -> Option<PassiveIndex> {
    let days = counts.iter().map(Vec::len).max()?;
    let day_mean = |day: usize| {
        let read: Vec<f64> = counts.iter().filter_map(|plot| *plot.get(day)?).collect();
        (!read.is_empty()).then(|| mean(&read))
    };
    let means: Vec<f64> = (0..days).filter_map(day_mean).collect();
    if means.is_empty() {
        return None;
    }
    let complete: Option<Vec<Vec<f64>>> = counts
        .iter()
        .map(|plot| if plot.len() == days { plot.iter().copied().collect() } else { None })
        .collect();
    Some(PassiveIndex {
        index: mean(&means),
        variance: complete.and_then(|counts| crossed_variance(&counts)),
        plots: counts.len(),
        days: means.len(),
    })
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Variance of the grand mean of a complete plots × days table.
fn crossed_variance(counts: &[Vec<f64>]) -> Option<f64> {
    let (plots, days) = (counts.len(), counts.first()?.len());
    if plots < 2 || days < 2 {
        return None;
    }
    let plot_means: Vec<f64> = counts.iter().map(|plot| mean(plot)).collect();
    let day_means: Vec<f64> =
        (0..days).map(|day| mean(&counts.iter().map(|plot| plot[day]).collect::<Vec<_>>())).collect();
    let grand = mean(&plot_means);
    let (s, d) = (plots as f64, days as f64);
    let square = |means: &[f64]| means.iter().map(|m| (m - grand).powi(2)).sum::<f64>();
    let left: f64 = counts
        .iter()
        .zip(&plot_means)
        .flat_map(|(plot, p)| plot.iter().zip(&day_means).map(move |(x, q)| (x - p - q + grand).powi(2)))
        .sum();
    let ms_plot = d * square(&plot_means) / (s - 1.0);
    let ms_day = s * square(&day_means) / (d - 1.0);
    let ms_error = left / ((s - 1.0) * (d - 1.0));
    Some(((ms_plot + ms_day - ms_error) / (s * d)).max(0.0))
}
