//! Sign: evidence of an animal, and the record that somebody made of it.

use std::sync::Arc;

use std::fmt;

use jiff::civil::Date;

use super::SourcePlace;

/// The kind of evidence.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Sign {
    /// A dropping.
    Scat,
    /// A footprint or a line of them.
    Print,
    /// The animal itself, seen.
    Sighting,
    /// Ground scratched beside a mark.
    Scratching,
    /// A howl heard.
    Howl,
    /// Stock killed, bitten or chased.
    StockLoss,
    /// A picture from a trail camera.
    Camera,
    /// Anything else, and records that do not say.
    Other,
}

impl Sign {
    /// Every kind, in the order used for output.
    pub const ALL: [Sign; 8] = [
        Sign::Scat,
        Sign::Print,
        Sign::Sighting,
        Sign::Scratching,
        Sign::Howl,
        Sign::StockLoss,
        Sign::Camera,
        Sign::Other,
    ];

    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            Sign::Scat => "scat",
            Sign::Print => "print",
            Sign::Sighting => "sighting",
            Sign::Scratching => "scratching",
            Sign::Howl => "howl",
            Sign::StockLoss => "stock-loss",
            Sign::Camera => "camera",
            Sign::Other => "other",
        }
    }

    /// Reads a word without regard to case; common plurals and spellings are accepted.
    /// `None` if the word is not known.
    pub fn from_word(word: &str) -> Option<Sign> {
        Some(match word.trim().to_lowercase().replace(['_', ' '], "-").as_str() {
            "scat" | "scats" | "dropping" | "droppings" | "faeces" => Sign::Scat,
            "print" | "prints" | "pad" | "pads" | "footprint" | "footprints" | "spoor" => Sign::Print,
            "sighting" | "sightings" | "seen" | "visual" => Sign::Sighting,
            "scratching" | "scratchings" | "scratch" | "scrape" | "scrapes" => Sign::Scratching,
            "howl" | "howls" | "howling" | "heard" => Sign::Howl,
            "stock-loss" | "stock-losses" | "stockloss" | "kill" | "kills" | "attack" | "attacks" => {
                Sign::StockLoss
            }
            "camera" | "cameras" | "camera-trap" | "photo" | "image" => Sign::Camera,
            "other" | "unknown" | "" => Sign::Other,
            _ => return None,
        })
    }
}

/// The animal that left the sign.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Animal {
    /// Wild dog, dingo or their crosses.
    Dog,
    /// Red fox.
    Fox,
    /// Recorded as "other".
    Other,
    /// Any other name, as the observer wrote it, trimmed and in lower case.
    Named(Arc<str>),
}

impl Animal {
    /// Reads a name without regard to case; common plurals and spellings are accepted.
    /// Any text that is not a known name is kept as [`Animal::Named`].
    pub fn from_word(word: &str) -> Animal {
        let name = word.trim().to_lowercase();
        match name.replace(['_', '-'], " ").as_str() {
            "dog" | "dogs" | "wild dog" | "wild dogs" | "wilddog" | "dingo" | "dingoes" | "dingos"
            | "canis familiaris" | "canis dingo" => Animal::Dog,
            "fox" | "foxes" | "red fox" | "red foxes" | "vulpes vulpes" => Animal::Fox,
            "other" | "" => Animal::Other,
            _ => Animal::Named(name.into()),
        }
    }

    /// The word used in files.
    pub fn word(&self) -> &str {
        match self {
            Animal::Dog => "dog",
            Animal::Fox => "fox",
            Animal::Other => "other",
            Animal::Named(name) => name,
        }
    }
}

impl fmt::Display for Animal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// One observation of sign. Its place is held beside it, in a
/// [`Placed`](crate::frame::Placed).
#[derive(Clone, PartialEq, Debug)]
pub struct Record {
    /// What was seen.
    pub sign: Sign,
    /// Whose it was, if the record says.
    pub animal: Option<Animal>,
    /// The local day it was seen, if the record says.
    pub date: Option<Date>,
    /// How many pieces of sign: finite, not negative, 1 if the record does not say.
    pub count: f64,
    /// Horizontal accuracy of the place in metres, if known.
    pub accuracy_m: Option<f64>,
    /// Who saw it, and on which occasion; records made together share one.
    pub occasion: Arc<Occasion>,
    /// Where it came from.
    pub source: SourcePlace,
}

/// On which occasion sign was recorded. Many records have the same one.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default)]
pub struct Occasion {
    /// Who saw it.
    pub observer: Option<Arc<str>>,
    /// Season label, if the record carries one.
    pub season: Option<Arc<str>>,
    /// Id of the survey outing it belongs to, if the record carries one.
    pub survey: Option<Arc<str>>,
}
