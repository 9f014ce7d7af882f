//! Sorting of keys that lie evenly spread.

/// Fewer keys than this are sorted as they are.
const FEW: usize = 64;

/// Sorts keys whose upper halves are spread about evenly, such as places along a strip: each goes
/// to a bucket by its upper half, and the buckets, of about one key each, are sorted by themselves.
/// Equal keys may change places.
///
/// Cost: linear where they are spread evenly, n log n where they are not.
pub(crate) fn sort_spread(keys: &mut Vec<u64>) {
    let upper = |key: u64| key >> 32;
    let (least, most) =
        keys.iter().fold((u64::MAX, 0), |(least, most), &k| (least.min(upper(k)), most.max(upper(k))));
    if keys.len() < FEW || least == most {
        return keys.sort_unstable();
    }
    let mut shift = 0;
    while (most - least) >> shift >= 2 * keys.len() as u64 {
        shift += 1;
    }
    let bucket = |key: u64| ((upper(key) - least) >> shift) as usize;
    let mut ends = vec![0_u32; bucket(most << 32) + 2];
    keys.iter().for_each(|&key| ends[bucket(key) + 1] += 1);
    let mut crowded = Vec::new();
    for k in 1..ends.len() {
        if ends[k] > 1 {
            crowded.push(k - 1);
        }
        ends[k] += ends[k - 1];
    }
    let mut sorted = vec![0; keys.len()];
    for &key in keys.iter() {
        let end = &mut ends[bucket(key)];
        sorted[*end as usize] = key;
        *end += 1;
    }
    // Each start has moved up to the end of its bucket.
    for k in crowded {
        let start = if k == 0 { 0 } else { ends[k - 1] };
        sorted[start as usize..ends[k] as usize].sort_unstable();
    }
    *keys = sorted;
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};

    use super::sort_spread;

    #[test]
    fn any_keys_are_sorted_spread_or_not() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(8);
        for count in [0_usize, 1, 63, 64, 65, 1000, 5000] {
            for span in [1_u64, 2, 7, 900, 1 << 31, 1 << 32] {
                let key = |rng: &mut rand_chacha::ChaCha8Rng| {
                    rng.random_range(0..span) << 32 | rng.random_range(0..4_u64)
                };
                let mut keys: Vec<u64> = (0..count).map(|_| key(&mut rng)).collect();
                // One far from the rest, so that all others share a bucket.
                keys.extend((count % 2 == 1).then_some(u64::MAX));
                let mut wanted = keys.clone();
                wanted.sort();
                sort_spread(&mut keys);
                assert_eq!(keys, wanted, "{count} keys over {span}");
            }
        }
    }
}
