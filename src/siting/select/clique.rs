//! Cliques of the conflict graph: sets of items of which at most one can be chosen.

use super::graph::{
    Graph, Row, bits, first_shared, intersect, intersection, row_clear, row_has, row_set, subtract,
};

/// A vertex of which the relaxation takes less than this is not looked at: it breaks no clique by more.
const LEAST_SHARE: f64 = 1e-3;

/// Cliques that together hold every conflict, each grown until nothing more fits; a vertex
/// without conflicts gets a clique of its own. Members are ascending.
///
/// Greedy: the first conflict not yet held starts a clique, which grows first by vertices
/// that bring more such conflicts.
pub(super) fn edge_cover(graph: &Graph) -> Vec<Vec<u32>> {
    let mut open = graph.rows.clone();
    let mut cliques = Vec::new();
    for v in graph.vertices() {
        if graph.degree[v as usize] == 0 {
            cliques.push(vec![v]);
            continue;
        }
        while let Some(u) = bits(&open[v as usize]).find(|&u| u != v) {
            let clique = grow(graph, &open, v, u);
            let members: Vec<u32> = bits(&clique).collect();
            members.iter().for_each(|&v| subtract(&mut open[v as usize], &clique));
            cliques.push(members);
        }
    }
    cliques
}

fn grow(graph: &Graph, open: &[Row], v: u32, u: u32) -> Row {
    let mut clique = Row::new();
    let mut fits = intersection(graph.row(v), graph.row(u));
    let mut next = Some(v);
    row_set(&mut clique, u);
    row_clear(&mut fits, u);
    while let Some(q) = next {
        row_set(&mut clique, q);
        intersect(&mut fits, graph.row(q));
        row_clear(&mut fits, q);
        next = first_shared(&fits, &open[v as usize]).or_else(|| bits(&fits).next());
    }
    clique
}

/// Cliques whose members' shares add up to more than one: the relaxation breaks them.
/// Grown from each vertex with a share, largest shares first; no two alike.
pub(super) fn violated(graph: &Graph, share: &[f64]) -> Vec<Vec<u32>> {
    let mut seeds: Vec<u32> =
        graph.vertices().into_iter().filter(|&v| share[v as usize] > LEAST_SHARE).collect();
    seeds.sort_by(|&a, &b| share[b as usize].total_cmp(&share[a as usize]).then(a.cmp(&b)));
    let mut cliques: Vec<Vec<u32>> = Vec::new();
    for &seed in &seeds {
        let mut near: Vec<u32> =
            graph.neighbours(seed).filter(|&u| share[u as usize] > LEAST_SHARE).collect();
        near.sort_by(|&a, &b| share[b as usize].total_cmp(&share[a as usize]).then(a.cmp(&b)));
        let mut clique = vec![seed];
        for u in near {
            if clique.iter().all(|&m| row_has(graph.row(m), u)) {
                clique.push(u);
            }
        }
        if clique.iter().map(|&m| share[m as usize]).sum::<f64>() > 1.02 {
            cliques.push(fill(graph, &clique));
        }
    }
    cliques.sort();
    cliques.dedup();
    cliques
}

/// Grows a clique until nothing more fits.
fn fill(graph: &Graph, clique: &[u32]) -> Vec<u32> {
    let Some((&first, rest)) = clique.split_first() else { return Vec::new() };
    let mut fits = graph.row(first).clone();
    rest.iter().for_each(|&m| intersect(&mut fits, graph.row(m)));
    let mut grown = Row::new();
    clique.iter().for_each(|&m| row_set(&mut grown, m));
    subtract(&mut fits, &grown);
    while let Some(q) = bits(&fits).next() {
        row_set(&mut grown, q);
        intersect(&mut fits, graph.row(q));
        row_clear(&mut fits, q);
    }
    bits(&grown).collect()
}

/// An upper bound on the best total, quickly: the lightest vertex left pays for a maximal
/// clique around it, as long as weight is left. Always at least the best total.
pub(super) fn quick_bound(graph: &Graph) -> i64 {
    let mut left = graph.weight.clone();
    let mut order = graph.vertices();
    order.sort_by_key(|&v| (left[v as usize], v));
    let mut bound = 0;
    for v in order {
        let pay = left[v as usize];
        if pay <= 0 {
            continue;
        }
        bound += pay;
        let mut fits = graph.row(v).clone();
        row_clear(&mut fits, v);
        left[v as usize] = 0;
        while let Some(q) = bits(&fits).max_by_key(|&q| (left[q as usize], std::cmp::Reverse(q))) {
            if left[q as usize] <= 0 {
                break;
            }
            left[q as usize] -= pay.min(left[q as usize]);
            intersect(&mut fits, graph.row(q));
            row_clear(&mut fits, q);
        }
    }
    bound
}
