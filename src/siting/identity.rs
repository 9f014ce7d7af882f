//! What a site is called: a name that its place gives it and that stays with the place.

use std::collections::{BTreeMap, BTreeSet};

use sha2::{Digest, Sha256};

use crate::frame::LonLat;

/// The symbols of an id. No vowels, so that none reads as a word; and of symbols that look alike
/// on paper, such as 0 and O, 1 and I, 2 and Z, 5 and S, 6 and G, 8 and B, one at most.
const SYMBOLS: &[u8; 22] = b"3479BCDFGHJKMNPQRTVWXZ";
/// Symbols after the letter S: 234,256 ids.
const LENGTH: usize = 4;
/// A place is hashed with its degrees in hundred-thousandths, about a metre: finer, and the last
/// digit of a sum would rename a site; coarser, and places next to each other would share a name.
const STEPS_A_DEGREE: f64 = 1e5;

/// Ids that are in use, compared without regard to case.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct TakenIds(BTreeSet<String>);

impl TakenIds {
    /// Marks an id as in use; false if it was before.
    pub fn take(&mut self, id: &str) -> bool {
        self.0.insert(id.trim().to_lowercase())
    }

    /// Whether an id is in use.
    pub fn has(&self, id: &str) -> bool {
        self.0.contains(&id.trim().to_lowercase())
    }
}

/// A site that wants a name.
#[derive(Clone, PartialEq, Debug)]
pub struct Nameless {
    /// Its foot on the line.
    pub foot: LonLat,
    /// The id that it has by now, if any.
    pub own: Option<String>,
}

/// The ids of sites, in the order of the sites.
///
/// A site that has an id keeps it. Any other gets the letter S and four symbols from the SHA-256
/// (FIPS 180-4) of its foot's longitude and latitude in hundred-thousandths of a degree: not of its
/// rank, its side, the frame or the sites around, so that one place has one id in every plan. An
/// id of digits alone and one that is taken are passed over for the next hash, with a counter.
/// Where two sites of one plan come to the same id, the more westerly has it, and of two on one
/// meridian the more southerly.
pub fn site_ids(sites: &[Nameless], taken: &TakenIds) -> Vec<String> {
    let mut taken = taken.clone();
    for own in sites.iter().filter_map(|s| s.own.as_deref()) {
        taken.take(own);
    }
    let unnamed = sites.iter().enumerate().filter(|(_, site)| site.own.is_none());
    let in_order: BTreeMap<([i64; 2], usize), ()> =
        unnamed.map(|(k, site)| ((steps_of(site.foot), k), ())).collect();
    let mut ids: Vec<String> = sites.iter().map(|s| s.own.clone().unwrap_or_default()).collect();
    for &(place, k) in in_order.keys() {
        let free = (0..).map(|counter| id_of(place, counter)).find(|id| !is_digits(id) && taken.take(id));
        ids[k] = free.unwrap_or_default();
    }
    ids
}

fn steps_of(at: LonLat) -> [i64; 2] {
    [at.lon_deg(), at.lat_deg()].map(|degrees| (degrees * STEPS_A_DEGREE).round() as i64)
}

fn is_digits(id: &str) -> bool {
    id.chars().skip(1).all(|c| c.is_ascii_digit())
}

/// The id of a place, the `counter`th that it could have.
fn id_of([lon, lat]: [i64; 2], counter: u64) -> String {
    let hash = Sha256::digest(format!("{lon},{lat},{counter}").as_bytes());
    let first = hash.iter().take(8).fold(0_u64, |number, &byte| (number << 8) | u64::from(byte));
    let mut rest = first;
    let mut symbols = ['S'; LENGTH + 1];
    for symbol in &mut symbols[1..] {
        *symbol = char::from(SYMBOLS[(rest % SYMBOLS.len() as u64) as usize]);
        rest /= SYMBOLS.len() as u64;
    }
    symbols.iter().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(lon: f64, lat: f64) -> Nameless {
        Nameless { foot: LonLat::new(lon, lat).unwrap(), own: None }
    }

    fn grid(n: usize) -> Vec<Nameless> {
        (0..n).map(|k| at(148.0 + 0.001 * (k % 100) as f64, -39.0 - 0.001 * (k / 100) as f64)).collect()
    }

    #[test]
    fn a_place_has_one_id_whatever_stands_around_it_and_in_whatever_order() {
        let mut sites = grid(40);
        let all = site_ids(&sites, &TakenIds::default());
        for (site, id) in sites.iter().zip(&all) {
            assert_eq!(site_ids(std::slice::from_ref(site), &TakenIds::default()), *std::slice::from_ref(id));
            // Off by what another way of computing it may bring.
            let near = at(site.foot.lon_deg() + 2e-9, site.foot.lat_deg() - 2e-9);
            assert_eq!(site_ids(&[near], &TakenIds::default()), *std::slice::from_ref(id));
        }
        sites.reverse();
        let mut back = site_ids(&sites, &TakenIds::default());
        back.reverse();
        assert_eq!(back, all);
    }

    #[test]
    fn ids_are_letters_and_digits_that_nobody_takes_for_others_and_none_repeats() {
        let sites = grid(10_000);
        let ids = site_ids(&sites, &TakenIds::default());
        let distinct: BTreeSet<&String> = ids.iter().collect();
        assert_eq!(distinct.len(), ids.len());
        let plain: BTreeSet<String> = sites.iter().map(|s| id_of(steps_of(s.foot), 0)).collect();
        assert!(plain.len() < ids.len(), "no two places came to one hash: this shows nothing");
        for id in ids {
            assert!(id.len() == 5 && id.starts_with('S') && !is_digits(&id), "{id}");
            assert!(id.bytes().skip(1).all(|b| SYMBOLS.contains(&b)), "{id}");
        }
    }

    #[test]
    fn an_id_in_use_is_never_given_again_in_either_case_and_an_own_one_is_kept() {
        let site = at(148.0, -39.0);
        let first = site_ids(std::slice::from_ref(&site), &TakenIds::default()).remove(0);
        let mut taken = TakenIds::default();
        assert!(taken.take(&first.to_lowercase()) && taken.has(&first));
        let next = site_ids(std::slice::from_ref(&site), &taken).remove(0);
        assert_ne!(next, first);
        let moved = Nameless { own: Some(first.clone()), ..at(148.2, -39.1) };
        assert_eq!(site_ids(&[site, moved], &TakenIds::default()), [next, first]);
    }
}
