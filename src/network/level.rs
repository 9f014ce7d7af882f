//! Lines that cross at different levels: bridges, tunnels, layers.

use super::lattice::Pixel;
use super::noded::{Noded, Visit};
use super::strand::Strands;

/// Gives lines that only pass through a hot pixel on different levels a pixel each, so
/// that they do not join there. Where any line ends at the pixel, all that meet there join:
/// an end is put where it is on purpose, as where the deck of a bridge begins.
///
/// Returns the pixels at which lines were parted.
///
/// Cost: one look at every visit, and only if some line is off level 0. A pixel without a number has
/// one visitor, so it is never parted.
pub(crate) fn separate_levels(noded: &mut Noded, strands: &Strands) -> Vec<Pixel> {
    if strands.strands.iter().all(|s| s.level == 0) {
        return Vec::new();
    }
    let conflicts = conflicts(noded, strands);
    // The first level keeps the pixel; every other gets a copy of it.
    let mut copies: Vec<((u32, i32), u32)> = Vec::new();
    let mut parted = Vec::new();
    for group in conflicts.chunk_by(|p, q| p.0 == q.0).filter(|g| g.len() > 1) {
        parted.push(noded.pixels[group[0].0 as usize]);
        for &(pixel, level) in &group[1..] {
            copies.push(((pixel, level), noded.pixels.len() as u32));
            noded.pixels.push(noded.pixels[pixel as usize]);
        }
    }
    for strand in 0..strands.len() {
        let level = strands.strands[strand].level;
        for visit in noded.range(strand) {
            let Some(pixel) = noded.visits[visit].pixel() else { continue };
            if let Ok(k) = copies.binary_search_by_key(&(pixel, level), |c| c.0) {
                noded.visits[visit] = Visit::to_pixel(copies[k].1);
            }
        }
    }
    parted
}

/// (pixel, level) of all lines that pass through a pixel at which no line ends and which
/// some line off level 0 visits; sorted, each once.
fn conflicts(noded: &Noded, strands: &Strands) -> Vec<(u32, i32)> {
    const RAISED: u8 = 1;
    const END: u8 = 2;
    let mut marks = vec![0_u8; noded.pixels.len()];
    for strand in 0..strands.len() {
        let visits = &noded.visits[noded.range(strand)];
        if strands.strands[strand].level != 0 {
            visits.iter().filter_map(|v| v.pixel()).for_each(|p| marks[p as usize] |= RAISED);
        }
        let ends = [visits.first(), visits.last()];
        for pixel in ends.into_iter().flatten().filter_map(|v| v.pixel()) {
            marks[pixel as usize] |= END;
        }
    }
    let mut found = Vec::new();
    for strand in 0..strands.len() {
        let level = strands.strands[strand].level;
        let pixels = noded.visits[noded.range(strand)].iter().filter_map(|v| v.pixel());
        found.extend(pixels.filter(|&p| marks[p as usize] == RAISED).map(|p| (p, level)));
    }
    found.sort_unstable();
    found.dedup();
    found
}
