//! Figures as SVG: the overview of a place and wind roses. Lines differ by width and dash,
//! so that a grey print still tells them apart.

use std::fmt::Write as _;

use super::map::ground_zone;
use super::{Material, Picture, Shown};
use crate::frame::{GroundPoint, LonLat};
use crate::record::{LineKind, StationState};

/// A figure's way from the frame to the paper: metres to units, north up.
struct Paper {
    west_m: f64,
    north_m: f64,
    scale: f64,
    width: f64,
    height: f64,
}

impl Paper {
    /// A sheet that holds all lines, sites, stations and the area, `width` units wide.
    fn for_place(material: &Material, width: f64) -> Option<Self> {
        let span = material.span();
        let corners = [(0, 1), (0, 3), (2, 1), (2, 3)];
        let ground: Vec<GroundPoint> = corners
            .iter()
            .map(|&(i, j)| material.frame.to_ground(LonLat::new(span[i], span[j]).ok()?).ok())
            .collect::<Option<_>>()?;
        let least = |of: fn(&GroundPoint) -> f64| ground.iter().map(of).fold(f64::INFINITY, f64::min);
        let most = |of: fn(&GroundPoint) -> f64| ground.iter().map(of).fold(f64::NEG_INFINITY, f64::max);
        let (west, east) = (least(|p| p.x_m), most(|p| p.x_m));
        let (south, north) = (least(|p| p.y_m), most(|p| p.y_m));
        let margin_m = 0.03 * (east - west).max(north - south);
        let scale = width / (east - west + 2.0 * margin_m);
        let height = (north - south + 2.0 * margin_m) * scale;
        Some(Self { west_m: west - margin_m, north_m: north + margin_m, scale, width, height })
    }

    fn at(&self, p: GroundPoint) -> (f64, f64) {
        ((p.x_m - self.west_m) * self.scale, (self.north_m - p.y_m) * self.scale)
    }

    fn way(&self, path: impl Iterator<Item = GroundPoint>) -> String {
        let mut d = String::new();
        for (k, p) in path.enumerate() {
            let (x, y) = self.at(p);
            let _ = write!(d, "{}{x:.1} {y:.1}", if k == 0 { "M" } else { "L" });
        }
        d
    }
}

/// The overview of the place: area, lines, keep-outs, stations and numbered sites, with a
/// scale bar and north. `shown` puts a raster under it. Empty where there is nothing to draw.
pub fn overview_svg(material: &Material, shown: Option<&Shown>) -> String {
    let Some(paper) = Paper::for_place(material, 720.0) else { return String::new() };
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {:.0} {:.0}\" role=\"img\" aria-label=\"Overview map\" font-family=\"sans-serif\">\n",
        paper.width, paper.height
    );
    let _ =
        writeln!(svg, "<rect width=\"{:.0}\" height=\"{:.0}\" fill=\"#fffdf7\"/>", paper.width, paper.height);
    if let Some(picture) = shown.and_then(|s| Picture::warp(material.frame, &s.field, s.ramp)) {
        draw_picture(&mut svg, material, &paper, &picture);
    }
    draw_place(&mut svg, material, &paper);
    draw_pegs(&mut svg, material, &paper);
    draw_scale(&mut svg, &paper);
    svg.push_str("</svg>\n");
    svg
}

/// The picture is in Web Mercator; over one place its corners put it right to a fraction of
/// a printed dot.
fn draw_picture(svg: &mut String, material: &Material, paper: &Paper, picture: &Picture) {
    let [west, south, east, north] = picture.span;
    let corner = |lon, lat| {
        let at = material.frame.to_ground(LonLat::new(lon, lat).ok()?).ok()?;
        Some(paper.at(at))
    };
    let (Some(nw), Some(ne), Some(sw)) = (corner(west, north), corner(east, north), corner(west, south))
    else {
        return;
    };
    let _ = writeln!(
        svg,
        "<image width=\"1\" height=\"1\" preserveAspectRatio=\"none\" transform=\"matrix({:.3} {:.3} {:.3} {:.3} {:.2} {:.2})\" href=\"{}\"/>",
        ne.0 - nw.0,
        ne.1 - nw.1,
        sw.0 - nw.0,
        sw.1 - nw.1,
        nw.0,
        nw.1,
        picture.data_uri()
    );
}

fn draw_place(svg: &mut String, material: &Material, paper: &Paper) {
    let ground = |c: &geo_types::Coord<f64>| material.frame.to_ground(LonLat::new(c.x, c.y).ok()?).ok();
    for ring in material
        .area
        .iter()
        .flat_map(|a| a.0.iter())
        .flat_map(|p| std::iter::once(p.exterior()).chain(p.interiors()))
    {
        let d = paper.way(ring.0.iter().filter_map(ground));
        let _ = writeln!(
            svg,
            "<path d=\"{d}Z\" fill=\"none\" stroke=\"#2f5d3a\" stroke-width=\"3\" opacity=\".7\"/>"
        );
    }
    for kind in LineKind::ALL.into_iter().rev() {
        let (colour, width, dash) = stroke(kind);
        for line in material.lines.iter().filter(|l| l.what.kind == kind) {
            let d = paper.way(line.ground.iter().copied());
            let _ = writeln!(
                svg,
                "<path d=\"{d}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"{width}\" stroke-dasharray=\"{dash}\" stroke-linejoin=\"round\"/>"
            );
        }
    }
    for keep_out in material.keep_outs {
        let zone = ground_zone(material.frame, keep_out);
        let rings = zone.0.iter().flat_map(|p| std::iter::once(p.exterior()).chain(p.interiors()));
        let d: Vec<String> =
            rings.map(|r| paper.way(r.0.iter().map(|c| GroundPoint::new(c.x, c.y))) + "Z").collect();
        let _ = writeln!(
            svg,
            "<path d=\"{}\" fill=\"#5c1d2e\" fill-opacity=\".12\" fill-rule=\"evenodd\" stroke=\"#5c1d2e\" stroke-width=\".8\"/>",
            d.concat()
        );
    }
}

fn stroke(kind: LineKind) -> (&'static str, f64, &'static str) {
    match kind {
        LineKind::Track => ("#4a321c", 1.8, "none"),
        LineKind::Road => ("#3a3f46", 3.4, "none"),
        LineKind::Fence => ("#5d666e", 0.9, "1 3"),
        LineKind::Creek => ("#2a78a8", 1.1, "7 2"),
        LineKind::Ridge => ("#b29a70", 0.9, "1 4"),
        LineKind::Boundary => ("#17212b", 1.2, "9 3 2 3"),
        LineKind::Other => ("#8a9097", 0.9, "none"),
    }
}

fn draw_pegs(svg: &mut String, material: &Material, paper: &Paper) {
    for station in material.stations.iter().filter(|s| s.what.state != StationState::Lifted) {
        let (x, y) = paper.at(station.ground);
        let _ = writeln!(
            svg,
            "<path d=\"M{:.1} {:.1}v-6l5-5l5 5v6z\" fill=\"#17212b\" stroke=\"#fff\"/>",
            x - 5.0,
            y + 5.0
        );
    }
    for site in &material.layers.sites {
        let Some(at) = site.place().and_then(|p| material.frame.to_ground(p).ok()) else { continue };
        let (x, y) = paper.at(at);
        let rank = site.number("rank").unwrap_or(0.0);
        let _ = writeln!(
            svg,
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"9\" fill=\"#0b4f6c\" stroke=\"#fff\" stroke-width=\"1.6\"/><text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\" font-size=\"{}\" font-weight=\"700\" fill=\"#fff\">{rank}</text>",
            y + 3.6,
            if rank >= 100.0 { 8 } else { 10 }
        );
    }
}

fn draw_scale(svg: &mut String, paper: &Paper) {
    let wanted_m = 0.2 * paper.width / paper.scale;
    let power = 10_f64.powf(wanted_m.log10().floor());
    let bar_m = [5.0, 2.0, 1.0].map(|k| k * power).into_iter().find(|m| *m <= wanted_m).unwrap_or(power);
    let label = if bar_m >= 1000.0 { format!("{} km", bar_m / 1000.0) } else { format!("{bar_m} m") };
    let (x, y, long) = (14.0, paper.height - 14.0, bar_m * paper.scale);
    let _ = writeln!(
        svg,
        "<path d=\"M{x} {:.1}v6h{long:.1}v-6\" fill=\"none\" stroke=\"#17212b\" stroke-width=\"2\"/><text x=\"{:.1}\" y=\"{:.1}\" font-size=\"12\" fill=\"#17212b\">{label}</text>",
        y - 6.0,
        x + 5.0,
        y - 8.0
    );
    let nx = paper.width - 22.0;
    let _ = writeln!(
        svg,
        "<path d=\"M{nx:.1} 8l8 30l-8 -6l-8 6z\" fill=\"#17212b\"/><text x=\"{nx:.1}\" y=\"52\" text-anchor=\"middle\" font-size=\"13\" font-weight=\"700\">N</text>"
    );
}

/// A wind rose with 16 petals that point to where the wind comes from; the bar is the line,
/// the dot the site's side. `hours` are counted by sector from north, clockwise.
pub fn rose_svg(hours: &[f64], line_bearing_deg: f64, left: bool, night: bool) -> String {
    let most = hours.iter().copied().fold(1e-9, f64::max);
    let colour = if night { "#2c3e63" } else { "#c47f17" };
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
    let out = if left { -12.0 } else { 12.0 };
    let _ = write!(
        svg,
        "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"4\" fill=\"#0b4f6c\" stroke=\"#fff\"/><text y=\"-39\" text-anchor=\"middle\" font-size=\"8\">N</text></svg>",
        out * c,
        out * s
    );
    svg
}
