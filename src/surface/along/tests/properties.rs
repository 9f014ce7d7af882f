//! What holds on every network: mass, symmetry, and indifference to how edges are cut
//! and directed.

use proptest::prelude::*;

use super::*;

/// A random network: a tree of some nodes with extra edges, loops among them, and a
/// second component; with records on it.
fn any_network() -> impl Strategy<Value = (LineGraph, Vec<Source>)> {
    let length = || (1.0..3.5f64).prop_map(|log| 10f64.powf(log));
    let tree = prop::collection::vec((0.0..1.0f64, length()), 1..12);
    let extra = prop::collection::vec((0.0..1.0f64, 0.0..1.0f64, length()), 0..8);
    let records = prop::collection::vec((0.0..1.0f64, 0.0..=1.0f64, 0.2..3.0f64), 1..10);
    (tree, extra, records).prop_map(|(tree, extra, records)| {
        let nodes = tree.len() as u32 + 1;
        let pick = |share: f64, of: u32| ((share * f64::from(of)) as u32).min(of - 1);
        let mut edges: Vec<_> = tree
            .iter()
            .zip(1..)
            .map(|(&(share, length_m), node)| (pick(share, node), node, length_m))
            .collect();
        edges.extend(extra.iter().map(|&(a, b, length_m)| (pick(a, nodes), pick(b, nodes), length_m)));
        edges.extend([(nodes, nodes + 1, 700.0), (nodes + 1, nodes + 1, 400.0)]);
        let graph = graph(nodes as usize + 2, &edges);
        let records = records
            .iter()
            .map(|&(edge, share, weight)| {
                let edge = pick(edge, edges.len() as u32);
                Source { at: at(edge, share * edges[edge as usize].2), weight }
            })
            .collect();
        (graph, records)
    })
}

/// Both ends of every edge, in turn.
fn edge_ends(graph: &LineGraph) -> Vec<EdgePoint> {
    let edges = graph.edges().iter().zip(0..);
    edges.flat_map(|(edge, index)| [at(index, 0.0), at(index, edge.length_m)]).collect()
}

/// Mass on the component of node 0 and on the other.
fn masses(graph: &LineGraph, field: &Field) -> [f64; 2] {
    let mut sums = [0.0; 2];
    for index in 0..graph.edges().len() {
        sums[component(graph, index as u32)] += field.mass_between(2 * index, 2 * index + 1);
    }
    sums
}

fn component(graph: &LineGraph, edge: u32) -> usize {
    usize::from(edge as usize + 2 >= graph.edges().len())
}

/// What rounding may cost the heat on a component, as a share of its mass: a component much shorter
/// than σ is all but even, and its level is found with a loss that goes with the square of their ratio.
fn rounding(graph: &LineGraph, of: usize, sigma_m: f64) -> f64 {
    1e-13 * (sigma_m / length_m(graph, of)).powi(2)
}

fn length_m(graph: &LineGraph, of: usize) -> f64 {
    let edges = graph.edges().iter().zip(0..).filter(|(_, edge)| component(graph, *edge) == of);
    edges.map(|(edge, _)| edge.length_m).sum()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(50))]

    #[test]
    fn mass_is_kept_on_every_component((graph, records) in any_network(), log_sigma in 1.0..3.3f64) {
        let sigma_m = 10f64.powf(log_sigma);
        let mut expected = [0.0; 2];
        records.iter().for_each(|record| expected[component(&graph, record.at.edge)] += record.weight);
        // A record at the very end of an edge is no mass of the stretch between the ends,
        // so the stretches are asked for with records strictly inside.
        let inside = records.iter().all(|record| {
            let length_m = graph.edges()[record.at.edge as usize].length_m;
            record.at.along_m > 0.0 && record.at.along_m < length_m
        });
        prop_assume!(inside);
        let field = heat(&graph, &records, &edge_ends(&graph), sigma_m);
        for (of, (found, expected)) in masses(&graph, &field).iter().zip(expected).enumerate() {
            let tolerance = 1e-10 + rounding(&graph, of, sigma_m) * expected;
            prop_assert!((found - expected).abs() < tolerance, "{found} {expected}");
        }
        let kernel = SplitKernel { kernel: Kernel::Quartic, rule: SplitRule::Continuous, sigma_m: 25.0 };
        match kernel.density(&Chains::of(&graph), &records, &edge_ends(&graph)) {
            Ok(field) => for (found, expected) in masses(&graph, &field).iter().zip(expected) {
                prop_assert!((found - expected).abs() < 1e-9, "{found} {expected}");
            },
            Err(error) => {
                let refused = matches!(error, AlongError::TooManyWalks { .. });
                prop_assert!(refused, "{error}");
            }
        }
    }

    #[test]
    fn the_kernel_is_symmetric((graph, records) in any_network(), log_sigma in 1.0..3.3f64) {
        prop_assume!(records.len() >= 2);
        let sigma_m = 10f64.powf(log_sigma);
        let (x, y) = (records[0].at, records[1].at);
        let there = heat(&graph, &[Source { at: x, weight: 1.0 }], &[y], sigma_m).per_m[0];
        let back = heat(&graph, &[Source { at: y, weight: 1.0 }], &[x], sigma_m).per_m[0];
        let of = component(&graph, x.edge);
        let level = rounding(&graph, of, sigma_m) / length_m(&graph, of);
        let tolerance = 2.0 * (ERROR_OF_PEAK * normal(0.0, sigma_m) + level);
        prop_assert!((there - back).abs() <= tolerance, "{there} {back}");
    }

    #[test]
    fn cutting_and_turning_edges_changes_nothing(
        (whole, records) in any_network(), log_sigma in 1.0..3.3f64, share in 0.05..0.95f64,
    ) {
        let sigma_m = 10f64.powf(log_sigma);
        // Edge 2i is the far part of edge i, turned around; edge 2i + 1 the near part.
        let mut edges = Vec::new();
        for (edge, middle) in whole.edges().iter().zip(whole.nodes() as u32..) {
            edges.push((edge.to, middle, (1.0 - share) * edge.length_m));
            edges.push((edge.from, middle, share * edge.length_m));
        }
        let cut = graph(whole.nodes() + whole.edges().len(), &edges);
        let moved = |point: EdgePoint| {
            let length_m = whole.edges()[point.edge as usize].length_m;
            if point.along_m <= share * length_m {
                at(2 * point.edge + 1, point.along_m)
            } else {
                at(2 * point.edge, length_m - point.along_m)
            }
        };
        let queries: Vec<_> = whole.edges().iter().zip(0..).map(|(edge, i)| at(i, 0.37 * edge.length_m)).collect();
        let moved_queries: Vec<_> = queries.iter().map(|&query| moved(query)).collect();
        let moved_records: Vec<_> = records.iter().map(|r| Source { at: moved(r.at), ..*r }).collect();
        let one = heat(&whole, &records, &queries, sigma_m).per_m;
        let other = heat(&cut, &moved_records, &moved_queries, sigma_m).per_m;
        let total: f64 = records.iter().map(|record| record.weight).sum();
        for ((one, other), query) in one.iter().zip(&other).zip(&queries) {
            let of = component(&whole, query.edge);
            let level = rounding(&whole, of, sigma_m) * total / length_m(&whole, of);
            prop_assert!((one - other).abs() <= 2.0 * (ERROR_OF_PEAK * total * normal(0.0, sigma_m) + level));
        }
    }

    #[test]
    fn rows_and_own_values_are_the_density_of_one_record((graph, records) in any_network(), log_sigma in 1.3..3.0f64) {
        let sigma_m = 10f64.powf(log_sigma);
        let network = HeatNetwork::new(Chains::of(&graph));
        let places: Vec<_> = records.iter().map(|record| record.at).collect();
        let pairs = greens::HeatPairs::new(&network, sigma_m);
        let on_chains: Vec<_> = places.iter().map(|&place| network.chains().place(place)).collect();
        let others = greens::ShapesByChain::new(&pairs, &on_chains);
        let stops = stops::Stops::sorted(network.chains(), &Load { points: &records, spread: &[] }, &places);
        let own: Vec<f64> = network.density_and_own(&stops, sigma_m).iter().map(|both| both.1).collect();
        let peak = normal(0.0, sigma_m);
        for (index, &place) in places.iter().enumerate() {
            let field = heat(&graph, &[Source { at: place, weight: 1.0 }], &places, sigma_m);
            prop_assert!((own[index] - field.per_m[index]).abs() < 1e-10 * peak);
            let mut row = vec![0.0; places.len()];
            let alone = greens::ShapesByChain::new(&pairs, &on_chains[index..=index]);
            pairs.pairs(&[on_chains[index].chain], &alone, &others, |_, other, value| row[other as usize] = value);
            for (row, density) in row.iter().zip(&field.per_m) {
                prop_assert!((row - density).abs() < 1e-6 * peak, "{row} {density}");
            }
        }
    }

    #[test]
    fn sums_agree_with_densities_one_by_one((graph, records) in any_network()) {
        // At a junction itself a discontinuous kernel has as many values as ways.
        let inside = |at: EdgePoint| at.along_m > 0.0 && at.along_m < graph.edges()[at.edge as usize].length_m;
        let places: Vec<_> = records.iter().map(|record| record.at).collect();
        prop_assume!(places.iter().all(|&at| inside(at)));
        let smoother = LineSmoother::new(graph);
        'kernels: for kernel in [
            LineKernel::Heat { sigma_m: 60.0 },
            LineKernel::new(Kernel::Triangular, SplitRule::Continuous, 20.0),
            LineKernel::new(Kernel::Gaussian, SplitRule::Discontinuous, 10.0),
        ] {
            let chains = Chains::of(smoother.graph());
            let single = match kernel {
                LineKernel::Heat { .. } => smoother.sums(kernel, &records, &places).ok(),
                LineKernel::Split(split) => split.sums(&chains, &records, &places),
            };
            let Some(sums) = single else { continue };
            let mut expected = vec![KernelSums::default(); places.len()];
            for record in &records {
                let one = Source { weight: 1.0, ..*record };
                let field = match kernel {
                    LineKernel::Heat { .. } => smoother.density(kernel, &[one], &places).unwrap(),
                    LineKernel::Split(split) => match split.both_ways(&chains, &[one], &places) {
                        Some((walks, _)) => walks,
                        None => continue 'kernels,
                    },
                };
                for (sums, value) in expected.iter_mut().zip(field.per_m) {
                    sums.squares += record.weight * value * value;
                    sums.largest = sums.largest.max(value);
                }
            }
            let peak = normal(0.0, kernel.sigma_m());
            // A walk of just 4 σ may count or not: so high is the step where the curve is cut.
            // For the heat kernel points within σ/16 are one: the normal curve falls by at most
            // e^(-1/2) of its peak over σ, and twice that where a dead end throws it back.
            let step = match kernel.sigma_m() {
                60.0 => 2.0 * (-0.5_f64).exp() / 16.0,
                10.0 => 4e-4,
                _ => 2e-6,
            };
            for (sums, expected) in sums.iter().zip(expected) {
                prop_assert!((sums.largest - expected.largest).abs() < step * peak, "{kernel:?} {sums:?} {expected:?}");
                prop_assert!((sums.squares - expected.squares).abs() < 2e-3 * expected.squares + 1e-4 * peak * peak, "{kernel:?} {sums:?} {expected:?}");
            }
        }
    }

    /// Waves against single walks, which are exact.
    #[test]
    fn waves_agree_with_walks((graph, records) in any_network(), log_sigma in 1.0..1.6f64) {
        let (chains, queries) = (Chains::of(&graph), edge_ends(&graph));
        let middles: Vec<_> = graph.edges().iter().zip(0..).map(|(edge, i)| at(i, 0.37 * edge.length_m)).collect();
        let queries: Vec<_> = queries.into_iter().chain(middles).collect();
        let total: f64 = records.iter().map(|record| record.weight).sum();
        for (kernel, rule, share) in [
            (Kernel::Quartic, SplitRule::Continuous, 2e-5),
            (Kernel::Quartic, SplitRule::Discontinuous, 2e-5),
            (Kernel::Gaussian, SplitRule::Discontinuous, 3e-4),
            (Kernel::Epanechnikov, SplitRule::Continuous, 3e-3),
            (Kernel::Triangular, SplitRule::Continuous, 3e-3),
        ] {
            let kernel = SplitKernel { kernel, rule, sigma_m: 10f64.powf(log_sigma) };
            let Some((walks, waves)) = kernel.both_ways(&chains, &records, &queries) else { continue };
            let peak = normal(0.0, kernel.sigma_m) * total;
            for (walk, wave) in walks.per_m.iter().zip(&waves.per_m) {
                prop_assert!((walk - wave).abs() < share * peak, "{kernel:?} {walk} {wave} {:e}", (walk - wave) / peak);
            }
            for (walk, wave) in walks.before.iter().zip(&waves.before) {
                prop_assert!((walk - wave).abs() < 0.02 * share * total, "{kernel:?} {walk} {wave}");
            }
        }
    }

    #[test]
    fn effort_in_reach_is_the_integral_of_the_kernel((graph, records) in any_network()) {
        let kernel = SplitKernel { kernel: Kernel::Epanechnikov, rule: SplitRule::Continuous, sigma_m: 30.0 };
        let chains = Chains::of(&graph);
        let everywhere: Vec<_> = graph.edges().iter().zip(0..)
            .map(|(edge, index)| Spread { edge: index, from_m: 0.0, to_m: edge.length_m, per_m: 2.0 }).collect();
        let places: Vec<_> = records.iter().map(|record| record.at).collect();
        if let Ok(found) = kernel.spread_at(&chains, &everywhere, &places) {
            for found in found {
                prop_assert!((found - 2.0).abs() < 1e-9, "{found}");
            }
        }
        for found in kernel.spread_by_waves_at(&chains, &everywhere, &places) {
            prop_assert!((found - 2.0).abs() < 1e-4, "{found}");
        }
    }
}

/// On one long straight line, cut into uneven edges, it is the one-dimensional kernel.
#[test]
fn a_long_straight_line_gives_the_normal_density() {
    let edges: Vec<_> = (0..40).map(|i| (i, i + 1, 100.0 + 37.0 * f64::from(i % 5))).collect();
    let line = graph(41, &edges);
    let start = |edge: u32| edges[..edge as usize].iter().map(|edge| edge.2).sum::<f64>();
    let (u, sigma_m) = (start(20) + 55.0, 200.0);
    let queries: Vec<_> = (5..35).map(|edge| at(edge, 80.0)).collect();
    let expected: Vec<_> = (5..35).map(|edge| normal(start(edge) + 80.0 - u, sigma_m)).collect();
    assert_close(&heat(&line, &one(20, 55.0), &queries, sigma_m).per_m, &expected, normal(0.0, sigma_m));
}

/// The number of threads does not show, to the bit.
#[test]
fn threads_do_not_show() {
    let edges: Vec<_> = (0..30).map(|i| (i % 7, (i * 5 + 1) % 11, 90.0 + f64::from(i))).collect();
    let graph = graph(11, &edges);
    let records: Vec<_> = (0..30).map(|edge| Source { at: at(edge, 40.0), weight: 1.5 }).collect();
    let kernel = SplitKernel { kernel: Kernel::Quartic, rule: SplitRule::Continuous, sigma_m: 60.0 };
    let run = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| {
            let split = kernel.density(&Chains::of(&graph), &records, &edge_ends(&graph)).unwrap();
            (heat(&graph, &records, &edge_ends(&graph), 80.0), split)
        })
    };
    assert_eq!(run(1), run(3));
}

/// A place without others within reach decides nothing alone, doubled records count as
/// one place, and the maximum is a maximum.
#[test]
fn the_likelihood_has_a_maximum_inside() {
    let line = graph(4, &[(0, 1, 20000.0), (2, 3, 100.0)]);
    let smoother = LineSmoother::new(line);
    let mut records: Vec<_> = (0..60)
        .map(|i| Source { at: at(0, 3000.0 + 13000.0 * (f64::from(i) * 0.618_034).fract()), weight: 1.0 })
        .collect();
    records.push(records[7]);
    records.push(Source { at: at(1, 50.0), weight: 1.0 });
    let found = smoother.likelihood_bandwidth(&records, (20.0, 4000.0)).unwrap();
    assert_eq!(found.alone, 1);
    assert!(!found.at_end_of_range, "{found:?}");
    let best = found.tried.iter().map(|t| t.1).fold(f64::NEG_INFINITY, f64::max);
    let place = found.tried.iter().position(|t| t.1 == best).unwrap();
    assert!(place > 0 && place + 1 < found.tried.len());
    // Leave-one-out by the definition, with one-dimensional normal densities: the line is
    // long enough for its ends not to show.
    let by_hand = |sigma: f64| {
        let xs: Vec<(f64, f64)> =
            (0..60).map(|i| (records[i].at.along_m, if i == 7 { 2.0 } else { 1.0 })).collect();
        let mut sum = 0.0;
        for (i, &(x, w)) in xs.iter().enumerate() {
            let rest: f64 = xs
                .iter()
                .enumerate()
                .filter(|(j, _)| *j != i)
                .map(|(_, &(y, v))| v * normal(x - y, sigma))
                .sum();
            sum += w * rest.ln();
        }
        sum / 61.0
    };
    for &(sigma_m, score) in found.tried.iter().filter(|t| t.0 > 200.0 && t.0 < 500.0) {
        assert!((score - by_hand(sigma_m)).abs() < 1e-6, "{sigma_m}: {score} {}", by_hand(sigma_m));
    }
}

/// A dense web of uneven meshes, as (from, to, length).
fn web(side: u32) -> LineGraph {
    let mut edges = Vec::new();
    for row in 0..side {
        for column in 0..side {
            let node = row * side + column;
            let length_m = |step: f64| 40.0 + 20.0 * (f64::from(node) * 0.618_034 + step).fract();
            if column + 1 < side {
                edges.push((node, node + 1, length_m(0.0)));
            }
            if row + 1 < side {
                edges.push((node, node + side, length_m(0.37)));
            }
        }
    }
    graph((side * side) as usize, &edges)
}

/// Where single walks would never end, waves do; continuous splits of a cut normal curve
/// are the heat kernel but for the cut, which is worth 6e-5 of the mass, and mass is kept.
#[test]
fn waves_agree_with_the_heat_kernel_in_a_web() {
    let web = web(12);
    let records: Vec<_> = (0..50).map(|edge| Source { at: at(edge, 20.0), weight: 1.0 }).collect();
    let (sigma_m, queries) = (300.0, edge_ends(&web));
    let kernel = SplitKernel { kernel: Kernel::Gaussian, rule: SplitRule::Continuous, sigma_m };
    let found = kernel.density(&Chains::of(&web), &records, &queries).unwrap();
    let expected = heat(&web, &records, &queries, sigma_m);
    let most = expected.per_m.iter().copied().fold(0.0, f64::max);
    for (found, expected) in found.per_m.iter().zip(&expected.per_m) {
        assert!((found - expected).abs() < 3e-3 * most, "{found} {expected}");
    }
    let mass: f64 = (0..web.edges().len()).map(|edge| found.mass_between(2 * edge, 2 * edge + 1)).sum();
    assert!((mass - 50.0).abs() < 1e-6, "{mass}");
}

/// The sums that stand in for those of too many walks are near them where both can be had.
#[test]
fn sums_of_the_heat_kernel_stand_in_for_split_ones() {
    let smoother = LineSmoother::new(web(8));
    let records: Vec<_> = (0..100).map(|edge| Source { at: at(edge, 20.0), weight: 1.0 }).collect();
    let split = SplitKernel { kernel: Kernel::Quartic, rule: SplitRule::Continuous, sigma_m: 20.0 };
    let places: Vec<_> = (30..60).map(|edge| at(edge, 11.0)).collect();
    let single = split.sums(&Chains::of(smoother.graph()), &records, &places).unwrap();
    for (found, expected) in smoother.as_of_heat(split, &records, &places).iter().zip(&single) {
        assert!((found.squares / expected.squares - 1.0).abs() < 0.3, "{found:?} {expected:?}");
        assert!((found.largest / expected.largest - 1.0).abs() < 0.15, "{found:?} {expected:?}");
    }
}

/// A bandwidth that no computer bears is refused with one that is then accepted.
#[test]
fn walks_that_explode_are_refused_with_what_fits() {
    let chains = Chains::of(&web(12));
    let kernel = SplitKernel { kernel: Kernel::Quartic, rule: SplitRule::Continuous, sigma_m: 1e9 };
    let records = one(0, 20.0);
    let Err(AlongError::TooManyWalks { fits_m, .. }) = kernel.density(&chains, &records, &[]) else {
        panic!("not refused");
    };
    assert!(fits_m > 10_000.0 && fits_m < 1e9, "{fits_m}");
    assert!(wave::Ruler::new(&chains, fits_m * 7f64.sqrt()).is_some());
}
