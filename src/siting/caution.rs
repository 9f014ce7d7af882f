//! What everything that sends someone to a station says first.

/// The cautions, in order.
pub fn cautions(has_keep_outs: bool, has_area: bool) -> Vec<String> {
    let mut said = Vec::new();
    if !has_keep_outs {
        said.push("The plan has no keep-outs: sites were not checked against any.");
    }
    if !has_area {
        said.push("The plan has no area: sites may fall on land you do not control.");
    }
    said.extend([
        "This is a plan, not an authority: local codes, the product label, permits and training decide what may be used and where.",
        "Distances come from you: check them against your permit and label, and on the ground.",
        "Wear eye protection and gloves; keep face and hands clear of a set device.",
        "Tell the neighbours and put up the signs before anything is set.",
        "Keep domestic dogs away.",
    ]);
    said.into_iter().map(str::to_string).collect()
}
