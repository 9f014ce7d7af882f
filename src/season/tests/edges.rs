//! Whether outings depend on each other across the edges of blocks.

use approx::assert_relative_eq;

use super::super::dependence::{at_block_edges, edge_products, mean_gap_days, residuals};
use super::super::lattice::Lattice;
use super::sums::any_lattice;
use super::*;
use crate::surface::Kernel;

/// Residuals leave nothing of a season in all; end and start surfaces fade with the days to the edge.
#[test]
fn what_is_compared_at_block_edges_is_its_definition() {
    for searched in [false, true] {
        let outings = outings(11, (6, 4), searched);
        let lattice = any_lattice(&outings, 5, 12);
        let found = residuals(&outings, &lattice);
        for season in [Season::Before, Season::After] {
            let own: Vec<usize> = (0..10).filter(|&i| outings.list()[i].season == season).collect();
            let sum = |surfaces: &[Vec<f64>], c: usize| own.iter().map(|&i| surfaces[i][c]).sum::<f64>();
            let n: f64 = own.iter().map(|&i| outings.list()[i].sign_count()).sum();
            for &i in &own {
                for c in 0..5 {
                    let exposed = match &lattice.effort {
                        None => outings.list()[i].sign_count() / n,
                        Some(effort) if sum(effort, c) > 0.0 => effort[i][c] / sum(effort, c),
                        Some(_) => 0.0,
                    };
                    let wanted = lattice.sign[i][c] - sum(&lattice.sign, c) * exposed;
                    assert_relative_eq!(found[i][c], wanted, max_relative = 1e-9, epsilon = 1e-12);
                }
            }
        }
        let days: Vec<f64> = (0..10).map(|i| f64::from([0, 1, 1, 4, 9, 10, 30, 31, 33, 40][i])).collect();
        assert_relative_eq!(mean_gap_days(&outings, &days), (10.0 + 10.0) / (5.0 + 3.0));
        let groups = vec![vec![0, 1, 2], vec![3, 4], vec![5], vec![6, 7], vec![8, 9]];
        let seasons = [0, 0, 0, 1, 1].map(|s| if s == 0 { Season::Before } else { Season::After }).to_vec();
        let blocks = Blocks { outings: groups.clone(), seasons };
        for (season, own) in [(Season::Before, &groups[..3]), (Season::After, &groups[3..])] {
            let table = edge_products(&blocks, season, &found, &days, 2.5);
            for (a, end) in own.iter().enumerate() {
                for (b, start) in own.iter().enumerate() {
                    let (last, first) = (days[end[end.len() - 1]], days[start[0]]);
                    let faded = |block: &[usize], edge: f64, c: usize| -> f64 {
                        block.iter().map(|&i| found[i][c] * (-(edge - days[i]).abs() / 2.5).exp()).sum()
                    };
                    let wanted: f64 = (0..5).map(|c| faded(end, last, c) * faded(start, first, c)).sum();
                    assert_relative_eq!(table[a][b], wanted, max_relative = 1e-9, epsilon = 1e-12);
                }
            }
        }
        // Without any reach only what lies at the edge itself counts.
        let sharp = edge_products(&blocks, Season::Before, &found, &days, 0.0);
        let wanted: f64 = (0..5).map(|c| (found[1][c] + found[2][c]) * found[3][c]).sum();
        assert_relative_eq!(sharp[0][1], wanted, max_relative = 1e-9);
    }
}

/// Sign that moves on from day to day depends on the day before; sign that jumps does not.
#[test]
fn a_trail_depends_on_the_day_before_and_a_shuffled_one_does_not() {
    let p = |place: fn(u32) -> f64| {
        let list = (0..24_u32).map(|k| {
            let (season, start) =
                if k < 12 { (Season::Before, day("2025-03-01")) } else { (Season::After, day("2026-03-01")) };
            let on = start.saturating_add(jiff::Span::new().days(i64::from(k % 12) * 2));
            Outing { season, day: Some(on), sign: vec![at(place(k % 12), 0.0, 1.0)], searched: vec![] }
        });
        let outings = Outings::new(list).unwrap();
        let lattice = Lattice::new(&outings, Kernel::Gaussian, 100.0, 25.0).unwrap();
        let blocks = Blocks::of(&outings, BlockSize::Outing).unwrap();
        let found = at_block_edges(&outings, &lattice, &blocks, BlockSize::Outing, 1, 17).unwrap();
        assert_eq!((found.reach_days, found.beyond_block), (2.0, found.p <= 0.05));
        assert_relative_eq!((found.p * 500.0).round(), found.p * 500.0, max_relative = 1e-9);
        let weeks = Blocks::of(&outings, BlockSize::Week).unwrap();
        let found_weeks = at_block_edges(&outings, &lattice, &weeks, BlockSize::Week, 1, 17).unwrap();
        assert_eq!(found_weeks.reach_days, 3.5);
        let undated = Outings::new(outings.list().iter().map(|o| Outing { day: None, ..o.clone() })).unwrap();
        assert!(at_block_edges(&undated, &lattice, &blocks, BlockSize::Outing, 1, 17).is_none());
        found.p
    };
    assert!(p(|k| f64::from(k) * 40.0) <= 0.004);
    assert!(p(|k| f64::from(k * 5 % 12) * 40.0) > 0.2);
}
