//! Who may pass: locked gates, closed lines, one-way lines.

use super::SourcePlace;

/// What a line or gate says about passing it. Only those that say something have one.
#[derive(Clone, PartialEq, Debug)]
pub struct Access {
    /// The line or gate.
    pub source: SourcePlace,
    /// Cannot be passed by anybody: washed out, closed.
    pub closed: bool,
    /// Can be passed with a key only.
    pub locked: bool,
    /// May be travelled one way only.
    pub one_way: Option<OneWay>,
}

/// The one way in which a line may be travelled.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum OneWay {
    /// As it was digitised.
    Along,
    /// Against that.
    Against,
}

impl OneWay {
    /// Reads a word as files write it; `None` for both ways and for words not known.
    pub fn from_word(word: &str) -> Option<OneWay> {
        match word.trim().to_lowercase().as_str() {
            "yes" | "true" | "1" | "along" | "forward" => Some(OneWay::Along),
            "-1" | "reverse" | "against" | "backward" => Some(OneWay::Against),
            _ => None,
        }
    }
}
