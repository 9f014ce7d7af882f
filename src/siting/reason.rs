//! One plain sentence a site, as a field officer would say it.

use jiff::civil::Date;

use super::around::SignNear;
use super::candidate::Candidate;
use super::part::Meeting;
use super::score::Part;
use super::wind::SideValue;
use crate::network::Network;
use crate::record::{Animal, LineKind, Sign};

/// A part that gives less than this share of the score is not worth a word.
const WORTH_A_WORD: f64 = 0.08;
/// From this value on, air carries scent across the line more often than not.
const CARRIES: f64 = 0.6;

/// The sign behind one part of the score.
#[derive(Clone, PartialEq, Debug)]
pub struct Heard {
    /// The part's name.
    pub part: String,
    /// The sign around the foot.
    pub sign: SignNear,
    /// How far around, in metres.
    pub reach_m: f64,
    /// Days before this are more than a year older than the latest sign of all.
    pub old_before: Option<Date>,
}

/// What a reason is made from.
pub struct Grounds<'a> {
    /// The site's candidate.
    pub candidate: &'a Candidate,
    /// Its index among the values of the parts.
    pub index: usize,
    /// The parts of its score.
    pub parts: &'a [Part],
    /// The network.
    pub network: &'a Network,
    /// The node that gives its convergence.
    pub meeting: Option<Meeting>,
    /// The sign around its foot, by part.
    pub heard: &'a [Heard],
    /// What the wind says of its side.
    pub wind: Option<SideValue>,
}

/// The reason: what gives most of the score, most first, at most three things.
pub fn reason(grounds: &Grounds) -> String {
    let given = |part: &Part| part.weight * part.value[grounds.index];
    let total: f64 = grounds.parts.iter().map(given).sum();
    let mut parts: Vec<&Part> =
        grounds.parts.iter().filter(|p| given(p) >= WORTH_A_WORD * total && total > 0.0).collect();
    parts.sort_by(|a, b| given(b).total_cmp(&given(a)));
    let mut said: Vec<String> = Vec::new();
    for words in parts.iter().filter_map(|part| phrase(grounds, part)) {
        if !said.contains(&words) {
            said.push(words);
        }
    }
    said.truncate(3);
    if said.is_empty() {
        said.push(format!("keeps the spacing along the {}", grounds.candidate.kind));
    }
    sentence(&said.join("; "))
}

fn phrase(grounds: &Grounds, part: &Part) -> Option<String> {
    match part.name.as_str() {
        name if name.starts_with("activity") => {
            sign_words(grounds.heard.iter().find(|heard| heard.part == name)?)
        }
        "convergence" => meeting_words(grounds),
        "wind" => wind_words(grounds),
        "line_kind" => None,
        "cover" => cover_words(part.raw[grounds.index]),
        "non_target" => None,
        other => Some(format!("good {} here", other.replace('_', " "))),
    }
}

fn sign_words(heard: &Heard) -> Option<String> {
    let near = &heard.sign;
    let (sign, most) = near.most?;
    let animals: Vec<&str> = near.animals.iter().map(Animal::word).collect();
    let whose = match animals.as_slice() {
        [one] => format!("{one} "),
        [one, other] => format!("{one} and {other} "),
        _ => String::new(),
    };
    let found = if most == near.count {
        format!("{} {whose}{}", trimmed(most), plural(sign, most))
    } else {
        format!("{} {whose}signs", trimmed(near.count))
    };
    let mostly = if most == near.count {
        String::new()
    } else {
        format!(", {} of them {}", trimmed(most), plural(sign, most))
    };
    let since = near.since.map_or(String::new(), |day| format!(" since {}", month(day)));
    let old = near.until.filter(|day| heard.old_before.is_some_and(|old| *day < old));
    let until = old.map_or(String::new(), |day| format!(", none after {}", month(day)));
    Some(format!("{found} within {:.0} m{since}{mostly}{until}", heard.reach_m))
}

fn meeting_words(grounds: &Grounds) -> Option<String> {
    let meeting = grounds.meeting?;
    let node = &grounds.network.nodes()[meeting.node as usize];
    let ways = grounds.network.ways_deg(meeting.node).len();
    let creek = node.kinds.has(LineKind::Creek);
    let only_tracks = !node.kinds.has(LineKind::Road);
    let place = match (ways, creek) {
        (3.., true) => format!("{} {} meet at a creek crossing", number_word(ways), way_word(only_tracks)),
        (3.., false) => format!("{} {} meet", number_word(ways), way_word(only_tracks)),
        (_, true) => format!("a creek crosses the {}", grounds.candidate.kind),
        _ => {
            let other = node.kinds.kinds().find(|&kind| kind != grounds.candidate.kind)?;
            format!("a {other} meets the {}", grounds.candidate.kind)
        }
    };
    let far =
        if meeting.distance_m < 25.0 { String::new() } else { format!(" {:.0} m along", meeting.distance_m) };
    Some(place + &far)
}

fn wind_words(grounds: &Grounds) -> Option<String> {
    let wind = grounds.wind?;
    let kind = grounds.candidate.kind;
    match (wind.night >= CARRIES, wind.day >= CARRIES) {
        (true, true) => Some(format!("air carries scent across the {kind} night and day")),
        (true, false) => Some(format!("night air carries scent across the {kind}")),
        (false, true) => Some(format!("by day the air carries scent across the {kind}")),
        (false, false) => None,
    }
}

fn cover_words(metres: f64) -> Option<String> {
    if metres <= 0.0 { Some("in cover".to_string()) } else { Some(format!("cover {metres:.0} m off")) }
}

fn way_word(only_tracks: bool) -> &'static str {
    if only_tracks { "tracks" } else { "ways" }
}

fn number_word(n: usize) -> String {
    let words = ["no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"];
    words.get(n).map_or_else(|| n.to_string(), |word| (*word).to_string())
}

fn plural(sign: Sign, count: f64) -> &'static str {
    let (one, several) = match sign {
        Sign::StockLoss => ("stock loss", "stock losses"),
        Sign::Scat => ("scat", "scats"),
        Sign::Print => ("print", "prints"),
        Sign::Sighting => ("sighting", "sightings"),
        Sign::Scratching => ("scratching", "scratchings"),
        Sign::Howl => ("howl", "howls"),
        Sign::Camera => ("camera picture", "camera pictures"),
        Sign::Other => ("piece of sign", "pieces of sign"),
    };
    if count == 1.0 { one } else { several }
}

fn month(day: Date) -> String {
    const MONTHS: [&str; 12] = [
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
        "November",
        "December",
    ];
    format!("{} {}", MONTHS[(day.month() as usize - 1) % 12], day.year())
}

fn trimmed(number: f64) -> String {
    if number.fract() == 0.0 { format!("{number:.0}") } else { format!("{number:.1}") }
}

fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    letters
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().collect::<String>() + letters.as_str())
}
