//! Figures as SVG: places with what was found there, and wind roses. Lines differ by width and dash,
//! so that a grey print still tells them apart.

use std::fmt::Write as _;

use serde_json::Value;

use super::label::draw_names;
use super::map::ground_zone;
use super::rose::petals;
use super::{Material, Picture, Ramp, Shown};
use crate::frame::{GroundPoint, LonLat};
use crate::record::{LineKind, StationState};

/// A figure's way from the frame to the paper: metres to units, north up.
pub(super) struct Paper {
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

    /// Where a place lies on the paper.
    pub(super) fn at(&self, p: GroundPoint) -> (f64, f64) {
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
/// scale bar and north. `shown` puts a raster under it; without one, tracks and roads have
/// their names. Empty where there is nothing to draw.
pub fn overview_svg(material: &Material, shown: Option<&Shown>) -> String {
    match shown {
        Some(_) => place_svg(material, "Overview map", shown, draw_pegs),
        None => place_svg(material, "Overview map", None, draw_names_and_pegs),
    }
}

/// The place with a raster under it and what `over` draws above it.
fn place_svg(
    material: &Material,
    label: &str,
    shown: Option<&Shown>,
    over: impl Fn(&mut String, &Material, &Paper),
) -> String {
    let Some(paper) = Paper::for_place(material, 720.0) else { return String::new() };
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {:.0} {:.0}\" role=\"img\" aria-label=\"{label}\" font-family=\"sans-serif\">\n",
        paper.width, paper.height
    );
    let _ =
        writeln!(svg, "<rect width=\"{:.0}\" height=\"{:.0}\" fill=\"#fffdf7\"/>", paper.width, paper.height);
    if let Some(picture) = shown.and_then(|s| Picture::warp(material.frame, &s.field, s.ramp)) {
        draw_picture(&mut svg, material, &paper, &picture);
    }
    draw_place(&mut svg, material, &paper);
    over(&mut svg, material, &paper);
    draw_scale(&mut svg, &paper);
    svg.push_str("</svg>\n");
    svg
}

/// The figures that a report of one's own may want, each a file that stands alone: its name
/// and its text. Those that the material cannot fill are left out.
pub fn figures(material: &Material) -> Vec<(&'static str, String)> {
    let raster = |id: &str| material.rasters.iter().find(|r| r.id == id);
    let mut made = Vec::new();
    if let Some(activity) = raster("activity") {
        let over = |svg: &mut String, _: &Material, _: &Paper| draw_legend(svg, activity);
        made.push(("figure-activity.svg", place_svg(material, "Activity", Some(activity), over)));
    }
    if !material.layers.nodes.is_empty() {
        made.push(("figure-nodes.svg", place_svg(material, "Where lines meet", None, draw_nodes)));
    }
    if !material.layers.sites.is_empty() {
        made.push(("figure-sites.svg", place_svg(material, "Proposed sites", None, draw_names_and_pegs)));
    }
    if let Some(change) = raster("change") {
        let over = |svg: &mut String, material: &Material, paper: &Paper| {
            draw_change_areas(svg, material, paper);
            draw_legend(svg, change);
        };
        made.push(("figure-change.svg", place_svg(material, "Change between seasons", Some(change), over)));
    }
    made.extend(wind_svg(material).map(|svg| ("figure-wind.svg", svg)));
    made.retain(|(_, svg)| !svg.is_empty());
    made
}

/// A colour of a legend and the values that have it.
pub(super) struct LegendBand {
    pub fill: String,
    pub opacity: f64,
    pub range: String,
}

/// The visible bands of a ramp, lowest first.
pub(super) fn legend_bands(ramp: Ramp) -> Vec<LegendBand> {
    let edges = ramp.edges();
    // A log ratio is read as what it is the logarithm of: so many times as much.
    let (value, times): (fn(f64) -> f64, &str) = match ramp {
        Ramp::Rising { .. } => (|v| v, ""),
        Ramp::Parting { .. } => (f64::exp, " times"),
    };
    let text = |v: &f64| match value(*v) {
        v if v.abs() >= 10.0 => format!("{v:.0}"),
        v => format!("{v:.2}"),
    };
    ramp.colours()
        .into_iter()
        .enumerate()
        .filter(|(_, c)| c[3] > 0)
        .map(|(k, [r, g, b, a])| {
            let from = k.checked_sub(1).and_then(|k| edges.get(k)).map(text);
            let range = match (from, edges.get(k).map(text)) {
                (Some(from), Some(to)) => format!("{from} to {to}{times}"),
                (Some(from), None) => format!("above {from}{times}"),
                (None, Some(to)) => format!("below {to}{times}"),
                (None, None) => String::new(),
            };
            LegendBand { fill: format!("rgb({r},{g},{b})"), opacity: f64::from(a) / 255.0, range }
        })
        .collect()
}

/// A column of bands in the corner, with the unit below.
fn draw_legend(svg: &mut String, shown: &Shown) {
    let bands = legend_bands(shown.ramp);
    let high = 15.0 * bands.len() as f64 + 34.0;
    let _ = writeln!(
        svg,
        "<rect x=\"8\" y=\"8\" width=\"200\" height=\"{high:.0}\" fill=\"#fffdf7\" fill-opacity=\".9\" stroke=\"#17212b\" stroke-width=\".7\"/><text x=\"15\" y=\"24\" font-size=\"12\" font-weight=\"700\">{}</text>",
        escaped(&shown.name)
    );
    for (k, band) in bands.iter().rev().enumerate() {
        let y = 32.0 + 15.0 * k as f64;
        let _ = writeln!(
            svg,
            "<rect x=\"15\" y=\"{y:.0}\" width=\"22\" height=\"13\" fill=\"{}\" fill-opacity=\"{:.2}\" stroke=\"#17212b\" stroke-width=\".4\"/><text x=\"44\" y=\"{:.0}\" font-size=\"10.5\">{}</text>",
            band.fill,
            band.opacity,
            y + 10.5,
            band.range
        );
    }
    let _ = writeln!(
        svg,
        "<text x=\"8\" y=\"{:.0}\" font-size=\"9.5\" stroke=\"#fffdf7\" stroke-width=\"3\" paint-order=\"stroke\">{}</text>",
        high + 20.0,
        escaped(&shown.unit)
    );
}

pub(super) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// Nodes where three or more ways meet as discs, the others as dots; a ring the wider the
/// more ways and sign meet there.
fn draw_nodes(svg: &mut String, material: &Material, paper: &Paper) {
    for node in &material.layers.nodes {
        let Some(at) = node.place().and_then(|p| material.frame.to_ground(p).ok()) else { continue };
        let (x, y) = paper.at(at);
        let (r, fill) =
            if node.text("node_kind") == Some("junction") { (3.2, "#fffdf7") } else { (1.6, "#17212b") };
        let _ = writeln!(
            svg,
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{r}\" fill=\"{fill}\" stroke=\"#17212b\" stroke-width=\"1.4\"/>"
        );
        let convergence = node.number("convergence").unwrap_or(0.0);
        if convergence > 0.0 {
            let _ = writeln!(
                svg,
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{:.1}\" fill=\"none\" stroke=\"#5b2a86\" stroke-width=\"2\"/>",
                4.0 + 14.0 * convergence.sqrt()
            );
        }
    }
}

/// Outlines of the areas of change: full for more sign, dashed for less.
fn draw_change_areas(svg: &mut String, material: &Material, paper: &Paper) {
    let ground = |c: &geo_types::Coord<f64>| material.frame.to_ground(LonLat::new(c.x, c.y).ok()?).ok();
    for area in &material.layers.change_areas {
        let polygons = match &area.geometry {
            geo_types::Geometry::Polygon(polygon) => std::slice::from_ref(polygon),
            geo_types::Geometry::MultiPolygon(polygons) => &polygons.0,
            _ => continue,
        };
        let dash = if area.text("direction") == Some("decrease") { "7 3" } else { "none" };
        for ring in polygons.iter().flat_map(|p| std::iter::once(p.exterior()).chain(p.interiors())) {
            let d = paper.way(ring.0.iter().filter_map(ground));
            let _ = writeln!(
                svg,
                "<path d=\"{d}Z\" fill=\"none\" stroke=\"#17212b\" stroke-width=\"2.4\" stroke-dasharray=\"{dash}\"/>"
            );
        }
    }
}

/// The wind of the place by day and by night, each a rose.
fn wind_svg(material: &Material) -> Option<String> {
    let wind = material.wind.as_ref()?;
    let mut svg = String::from(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"-50 -52 200 118\" role=\"img\" aria-label=\"Wind by day and by night\" font-family=\"sans-serif\">\n<rect x=\"-50\" y=\"-52\" width=\"200\" height=\"118\" fill=\"#fffdf7\"/>\n",
    );
    let mut any = false;
    for (k, period) in ["day", "night"].into_iter().enumerate() {
        let rose =
            wind.get(period).and_then(|w| w.get("rose_from_north_clockwise")).and_then(Value::as_array);
        let hours: Vec<f64> = rose.into_iter().flatten().filter_map(Value::as_f64).collect();
        if hours.is_empty() {
            continue;
        }
        any = true;
        let calm = wind.pointer(&format!("/{period}/calm_share")).and_then(Value::as_f64);
        let calm = calm.map_or(String::new(), |c| format!(", calm {:.0} %", 100.0 * c));
        let _ = writeln!(
            svg,
            "<g transform=\"translate({} 0)\"><circle r=\"38\" fill=\"#f6f2e6\" stroke=\"#b9b09a\"/>{}<text y=\"-40\" text-anchor=\"middle\" font-size=\"8\">N</text><text y=\"52\" text-anchor=\"middle\" font-size=\"8\">{period}{calm}</text></g>",
            100 * k,
            petals(&hours, period == "night")
        );
    }
    svg.push_str("<text x=\"50\" y=\"62\" text-anchor=\"middle\" font-size=\"5.5\">petals point to where the wind comes from</text></svg>\n");
    any.then_some(svg)
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

fn draw_names_and_pegs(svg: &mut String, material: &Material, paper: &Paper) {
    draw_names(svg, material, paper);
    draw_pegs(svg, material, paper);
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
