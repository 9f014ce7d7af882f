//! Wind roses as SVG.

use std::fmt::Write as _;

/// Keeps the scale of a rose without hours off zero.
const LEAST_HOURS: f64 = 1e-9;

/// A wind rose with 16 petals that point to where the wind comes from; the bar is the line,
/// the dot the site's side. `hours` are counted by sector from north, clockwise.
pub fn rose_svg(hours: &[f64], line_bearing_deg: f64, left: bool, night: bool) -> String {
    let mut svg = String::from(
        "<svg viewBox=\"-46 -48 92 94\" role=\"img\" aria-label=\"wind rose\"><circle r=\"38\" fill=\"#f6f2e6\" stroke=\"#b9b09a\"/>",
    );
    let (s, c) = line_bearing_deg.to_radians().sin_cos();
    let _ = write!(
        svg,
        "<line x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" stroke=\"#6b4a2b\" stroke-width=\"3\"/>",
        -44.0 * s,
        44.0 * c,
        44.0 * s,
        -44.0 * c
    );
    svg.push_str(&petals(hours, night));
    let out = if left { -12.0 } else { 12.0 };
    let _ = write!(
        svg,
        "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"4\" fill=\"#0b4f6c\" stroke=\"#fff\"/><text y=\"-39\" text-anchor=\"middle\" font-size=\"8\">N</text></svg>",
        out * c,
        out * s
    );
    svg
}

/// The petals of a rose about the origin, the longest 36 units.
pub(super) fn petals(hours: &[f64], night: bool) -> String {
    let most = hours.iter().copied().fold(LEAST_HOURS, f64::max);
    let colour = if night { "#2c3e63" } else { "#c47f17" };
    let mut svg = String::new();
    let half = std::f64::consts::PI / hours.len().max(1) as f64 * 0.86;
    for (k, share) in hours.iter().enumerate().filter(|(_, h)| **h > 0.0) {
        let (a, r) = (std::f64::consts::TAU * k as f64 / hours.len() as f64, 4.0 + 32.0 * share / most);
        let ((s0, c0), (s1, c1)) = ((a - half).sin_cos(), (a + half).sin_cos());
        let _ = write!(
            svg,
            "<path d=\"M0 0L{:.1} {:.1}A{r:.1} {r:.1} 0 0 1 {:.1} {:.1}Z\" fill=\"{colour}\" stroke=\"#fff\" stroke-width=\".5\"/>",
            r * s0,
            -r * c0,
            r * s1,
            -r * c1
        );
    }
    svg
}
