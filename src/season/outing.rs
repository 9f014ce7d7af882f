//! Outings: the independent unit of a season comparison.

use std::cmp::Ordering;

use jiff::civil::Date;

use crate::surface::WeightedPoint;

use super::SeasonError;

/// Which of the two seasons.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Season {
    /// The first named, against which the other is held.
    Before,
    /// The second named.
    After,
}

impl Season {
    /// The word used in messages.
    pub fn word(self) -> &'static str {
        match self {
            Season::Before => "before",
            Season::After => "after",
        }
    }
}

/// What one search of the ground found. Everything recorded on one outing stands or falls
/// together: the same eyes, the same weather, often the same animal.
#[derive(Clone, PartialEq, Debug)]
pub struct Outing {
    /// The season it belongs to.
    pub season: Season,
    /// Its first local day, if known.
    pub day: Option<Date>,
    /// Sign found: place in the frame, weight in pieces of sign.
    pub sign: Vec<WeightedPoint>,
    /// Ground searched: pieces of the way taken, each weighted by its kilometres searched
    /// (length times passes). Empty where effort is not known.
    pub searched: Vec<WeightedPoint>,
}

impl Outing {
    /// Pieces of sign found.
    pub fn sign_count(&self) -> f64 {
        sum_of_weights(&self.sign)
    }

    /// Kilometres searched.
    pub fn searched_km(&self) -> f64 {
        sum_of_weights(&self.searched)
    }

    /// Order in time; outings of one day are told apart by what they found, never by the
    /// season they belong to, so that exchanging the seasons changes no order.
    fn cmp_in_time(&self, other: &Self) -> Ordering {
        let places = |o: &Self| {
            let points = o.sign.iter().chain(&o.searched);
            points.flat_map(|p| [p.at.x_m, p.at.y_m, p.weight]).collect::<Vec<_>>()
        };
        self.day.cmp(&other.day).then_with(|| {
            let (a, b) = (places(self), places(other));
            a.iter().zip(&b).map(|(x, y)| x.total_cmp(y)).find(|o| o.is_ne()).unwrap_or(a.len().cmp(&b.len()))
        })
    }
}

/// Not `sum`, whose empty case is a negative zero.
fn sum_of_weights(points: &[WeightedPoint]) -> f64 {
    points.iter().fold(0.0, |sum, p| sum + p.weight)
}

/// The outings of both seasons, in order of time.
#[derive(Clone, PartialEq, Debug)]
pub struct Outings {
    list: Vec<Outing>,
}

impl Outings {
    /// Sorts the outings of both seasons in time.
    ///
    /// Sign of no weight and outings that neither found nor searched anything are dropped.
    ///
    /// # Errors
    /// [`SeasonError::NoSign`] for a season without sign, unless it was searched;
    /// [`SeasonError::NoSignAtAll`] if neither season has any.
    pub fn new(outings: impl IntoIterator<Item = Outing>) -> Result<Self, SeasonError> {
        let mut list: Vec<Outing> = outings
            .into_iter()
            .map(|mut o| {
                o.sign.retain(|p| p.weight > 0.0);
                o.searched.retain(|p| p.weight > 0.0);
                o
            })
            .filter(|o| !o.sign.is_empty() || !o.searched.is_empty())
            .collect();
        list.sort_by(Outing::cmp_in_time);
        let outings = Self { list };
        let (before, after) = (outings.sign_count(Season::Before), outings.sign_count(Season::After));
        if before + after == 0.0 {
            return Err(SeasonError::NoSignAtAll);
        }
        for season in [Season::Before, Season::After] {
            if outings.sign_count(season) == 0.0 && !outings.effort_known() {
                return Err(SeasonError::NoSign(season));
            }
        }
        Ok(outings)
    }

    /// The outings in order of time; those without a day first.
    pub fn list(&self) -> &[Outing] {
        &self.list
    }

    /// The outings of one season, in order of time.
    pub fn of(&self, season: Season) -> impl Iterator<Item = &Outing> {
        self.list.iter().filter(move |o| o.season == season)
    }

    /// Pieces of sign in a season.
    pub fn sign_count(&self, season: Season) -> f64 {
        self.of(season).map(Outing::sign_count).fold(0.0, |sum, n| sum + n)
    }

    /// Kilometres searched in a season.
    pub fn searched_km(&self, season: Season) -> f64 {
        self.of(season).map(Outing::searched_km).fold(0.0, |sum, km| sum + km)
    }

    /// Whether both seasons say what was searched, so that rates can be compared.
    pub fn effort_known(&self) -> bool {
        [Season::Before, Season::After].into_iter().all(|s| self.searched_km(s) > 0.0)
    }

    /// Every sign record of both seasons, in order of time.
    pub fn sign(&self) -> impl Iterator<Item = &WeightedPoint> {
        self.list.iter().flat_map(|o| &o.sign)
    }
}
