//! Checks against closed forms, and properties that hold for every network.

mod closed_forms;
mod properties;

use super::chain::Chains;
use super::heat::HeatNetwork;
use super::*;
use crate::surface::Kernel;

/// A graph from (from, to, length) triples.
fn graph(nodes: usize, edges: &[(u32, u32, f64)]) -> LineGraph {
    let edges = edges.iter().map(|&(from, to, length_m)| GraphEdge { from, to, length_m }).collect();
    LineGraph::new(nodes, edges).unwrap()
}

fn at(edge: u32, along_m: f64) -> EdgePoint {
    EdgePoint { edge, along_m }
}

fn one(edge: u32, along_m: f64) -> [Source; 1] {
    [Source { at: at(edge, along_m), weight: 1.0 }]
}

/// The heat kernel of some records at some positions.
fn heat(graph: &LineGraph, records: &[Source], queries: &[EdgePoint], sigma_m: f64) -> Field {
    HeatNetwork::new(Chains::of(graph)).diffuse(&Load { points: records, spread: &[] }, queries, sigma_m)
}

/// A star of `arms` arms of 1000 m; node 0 is the junction, every edge starts there.
fn star(arms: u32) -> LineGraph {
    graph(arms as usize + 1, &(0..arms).map(|arm| (0, arm + 1, 1000.0)).collect::<Vec<_>>())
}

fn normal(x: f64, sigma: f64) -> f64 {
    (-0.5 * (x / sigma).powi(2)).exp() / (sigma * std::f64::consts::TAU.sqrt())
}

/// Relative 1e-6 where the value exceeds 1e-6 of the peak, else 1e-11 of the peak.
fn assert_close(found: &[f64], expected: &[f64], peak: f64) {
    assert_eq!(found.len(), expected.len());
    for (found, expected) in found.iter().zip(expected) {
        let tolerance = if *expected > 1e-6 * peak { 1e-6 * expected } else { 1e-11 * peak };
        assert!((found - expected).abs() <= tolerance, "found {found:e}, expected {expected:e}");
    }
}
