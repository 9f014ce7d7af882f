//! The verdict on a station: what is to be done there, and every reason for it.
//!
//! What siting, the keep-outs, the area and the check log say of a station meets here and nowhere
//! else, so that no two outputs send people to one station with different orders.

use crate::checks::{OpenItem, Quiet, QuietRule};
use crate::record::{Check, Found, Station, StationState};

/// What is to be done at a station, the most pressing first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Task {
    /// Take it out of the ground and do not arm it.
    Lift,
    /// Look for what is missing, and do not arm it before that is accounted for.
    Search,
    /// Take it up and set it at another place.
    Move,
    /// Check and arm it where it stands, or set it where it is proposed.
    Serve,
    /// Set nothing there: it is proposed for a place where none may be.
    Leave,
    /// Nothing: it is lifted.
    None,
}

impl Task {
    /// Every task, in the order of the work.
    pub const ALL: [Task; 6] = [Task::Lift, Task::Search, Task::Move, Task::Serve, Task::Leave, Task::None];

    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            Task::Lift => "lift",
            Task::Search => "search",
            Task::Move => "move",
            Task::Serve => "serve",
            Task::Leave => "leave",
            Task::None => "none",
        }
    }

    /// What a crew is told to do, after "station X:".
    pub fn order(self) -> &'static str {
        match self {
            Task::Lift => "LIFT IT, do not arm it",
            Task::Search => "SEARCH, do not arm it before what is missing is accounted for",
            Task::Move => "MOVE IT to another place",
            Task::Serve => "check and serve it",
            Task::Leave => "SET NOTHING THERE",
            Task::None => "nothing to do, it is lifted",
        }
    }

    /// Whether somebody has to go there.
    pub fn wants_a_visit(self) -> bool {
        matches!(self, Task::Lift | Task::Search | Task::Move | Task::Serve)
    }
}

/// What siting would gain if a station were not where it is.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Gain {
    /// What the score of the whole layer gains, above 0.
    pub gain: f64,
    /// Whether that is by another place for the station, or else by none.
    pub elsewhere: bool,
}

/// What is known of a station.
#[derive(Clone, Debug)]
pub struct Evidence<'a> {
    /// The station.
    pub station: &'a Station,
    /// Why none may stand where it is: keep-outs, barred places and the area; a sentence each.
    pub breaches: &'a [String],
    /// The checks of this station, by day.
    pub checks: &'a [&'a Check],
    /// Its capsules that are missing and not accounted for.
    pub open_items: &'a [&'a OpenItem],
    /// How quiet it is, and by which rule.
    pub quiet: Option<(Quiet, QuietRule)>,
    /// What siting gains without it there, where there is sign to go by.
    pub gain: Option<Gain>,
    /// The walk in metres beyond which no line that can be travelled lies, if none does.
    pub off_lines_m: Option<f64>,
}

/// What is to be done at a station.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Verdict {
    /// The task.
    pub task: Task,
    /// Every reason, the one that decides first.
    pub reasons: Vec<String>,
}

impl Verdict {
    /// All reasons in one text.
    pub fn reason(&self) -> String {
        self.reasons.join("; ")
    }
}

/// Whether the check log has a station taken out of the ground: its last visit lifted it and did not
/// leave it working, and it was not set again since.
pub fn lifted_by_log<'c>(station: &Station, checks: &[&'c Check]) -> Option<&'c Check> {
    let visits = checks.iter().copied().filter(|c| c.found != Found::NotChecked || c.lifted);
    let last = visits.max_by_key(|c| c.date)?;
    let set_since = station.set_on.is_some_and(|set| set > last.date);
    (last.lifted && last.serviced != Some(true) && !set_since).then_some(last)
}

/// Decides. Safety comes first, and what the ground shows before what a score says:
///
/// 1. What is lifted needs nothing, and a place that is only proposed and barred is left, unless
///    something there is missing.
/// 2. **Lift** a station inside the distance of a keep-out, in a barred place or outside the area,
///    whatever else is the matter with it.
/// 3. **Search** where the device or a capsule is missing and not accounted for.
/// 4. **Lift** where siting gains without the station, **move** where it gains by another place or
///    no animal has been there for the nights of the rule.
/// 5. **Serve** what is left.
pub fn decide(of: &Evidence) -> Verdict {
    let lifted = lifted(of);
    let missing = missing(of);
    let proposed = of.station.state == StationState::Proposed;
    let (quiet, moves) = quiet(of);
    let barred = !of.breaches.is_empty() && lifted.is_none();
    let task = match () {
        () if barred && !proposed => Task::Lift,
        () if !missing.is_empty() => Task::Search,
        () if lifted.is_some() => Task::None,
        () if proposed && barred => Task::Leave,
        () if proposed => Task::Serve,
        () if of.gain.is_some_and(|g| !g.elsewhere) => Task::Lift,
        () if of.gain.is_some() || moves => Task::Move,
        () => Task::Serve,
    };
    let mut reasons = Vec::new();
    if lifted.is_none() {
        reasons.extend(of.breaches.iter().cloned());
    }
    reasons.extend(missing);
    if let Some(why) = lifted {
        reasons.push(why);
    } else if proposed {
        reasons.push("it is proposed and not yet in the ground".to_string());
    } else {
        reasons.extend(gained(of));
        reasons.extend(quiet);
    }
    if let Some(walk_m) = of.off_lines_m.filter(|_| task.wants_a_visit()) {
        reasons.push(format!("no line of the plan that can be travelled lies within {walk_m} m of it"));
    }
    if reasons.is_empty() {
        reasons.push("nothing speaks against it".to_string());
    }
    Verdict { task, reasons }
}

/// Why there is nothing left in the ground, if so.
fn lifted(of: &Evidence) -> Option<String> {
    if of.station.state == StationState::Lifted {
        let day = of.station.lifted_on.map_or(String::new(), |day| format!(", since {day}"));
        return Some(format!("it is lifted already{day}"));
    }
    let check = lifted_by_log(of.station, of.checks)?;
    Some(format!("the check of {} lifted it, though the station file does not have it lifted", check.date))
}

/// What is missing there, a sentence each.
fn missing(of: &Evidence) -> Vec<String> {
    let last = of.checks.iter().filter(|c| c.found != Found::NotChecked).max_by_key(|c| c.date);
    let not_found = last
        .filter(|c| c.found == Found::Missing && !c.closed)
        .map(|c| format!("the device or its capsule was not found at the last check, on {}", c.date));
    let items = of.open_items.iter().map(|item| match item.capsules {
        1 => format!("1 capsule is missing since {}", item.since),
        n => format!("{n} capsules are missing since {}", item.since),
    });
    not_found.into_iter().chain(items).collect()
}

fn gained(of: &Evidence) -> Option<String> {
    let Gain { gain, elsewhere } = of.gain?;
    Some(match elsewhere {
        true => format!("the score of the whole plan gains {gain:.2} by another place"),
        false => format!("the score of the whole plan gains {gain:.2} without it"),
    })
}

/// What the silence says, and whether it says to move.
fn quiet(of: &Evidence) -> (Option<String>, bool) {
    let Some((quiet, rule)) = of.quiet else { return (None, false) };
    let told = |after: f64, what: &str| {
        Some(format!(
            "no animal has been there for {:.0} working nights ({what} after {after})",
            quiet.nights
        ))
    };
    match quiet.nights {
        n if n >= rule.move_after_nights => (told(rule.move_after_nights, "move"), true),
        n if n >= rule.refresh_after_nights => {
            (told(rule.refresh_after_nights, "a new head and lure"), false)
        }
        _ => (None, false),
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::sync::Arc;

    use jiff::civil::{Date, date};

    use super::*;
    use crate::checks::Advice;
    use crate::record::SourcePlace;

    fn source() -> SourcePlace {
        SourcePlace { file: Arc::from(Path::new("s.geojson")), index: 0, id: None }
    }

    fn station(state: StationState) -> Station {
        Station {
            station_id: "G1".into(),
            name: None,
            state,
            set_on: Some(date(2025, 1, 1)),
            lifted_on: None,
            set_by: None,
            batch: None,
            source: source(),
        }
    }

    fn check(day: Date, found: Found) -> Check {
        Check {
            station_id: "G1".into(),
            date: day,
            by: None,
            found,
            reason: None,
            animal: None,
            head_replaced: false,
            capsules_out: None,
            capsules_back: None,
            serviced: None,
            lifted: false,
            batch: None,
            closed: false,
            note: None,
            source: source(),
        }
    }

    fn open() -> OpenItem {
        OpenItem { station_id: "G1".into(), since: date(2025, 2, 1), by: None, batch: None, capsules: 1 }
    }

    /// What may be the matter.
    #[derive(Default)]
    struct Matter {
        breach: Option<&'static str>,
        log: Vec<Check>,
        items: Vec<OpenItem>,
        nights: Option<f64>,
        gain: Option<Gain>,
        off_lines_m: Option<f64>,
    }

    fn told(state: StationState, matter: Matter) -> (Task, String) {
        let station = station(state);
        let quiet = |nights| {
            let quiet = Quiet { station: 0, visited_on: None, nights, chance: 0.5, advice: Advice::Leave };
            (quiet, QuietRule::default())
        };
        let verdict = decide(&Evidence {
            station: &station,
            breaches: &matter.breach.iter().map(ToString::to_string).collect::<Vec<_>>(),
            checks: &matter.log.iter().collect::<Vec<_>>(),
            open_items: &matter.items.iter().collect::<Vec<_>>(),
            quiet: matter.nights.map(quiet),
            gain: matter.gain,
            off_lines_m: matter.off_lines_m,
        });
        (verdict.task, verdict.reason())
    }

    const BREACH: Option<&str> = Some("it stands 102.0 m from top tank, whose distance is 137 m");

    #[test]
    fn a_breach_lifts_whatever_else_is_the_matter_and_all_reasons_are_given() {
        let all = Matter {
            breach: BREACH,
            log: vec![check(date(2025, 3, 1), Found::Missing)],
            nights: Some(120.0),
            gain: Some(Gain { gain: 0.3, elsewhere: true }),
            off_lines_m: Some(400.0),
            ..Matter::default()
        };
        let (task, reason) = told(StationState::Set, all);
        assert_eq!(task, Task::Lift);
        let order =
            ["top tank", "not found at the last check, on 2025-03-01", "gains 0.30", "120 working", "400 m"];
        let at: Vec<usize> = order.iter().map(|part| reason.find(part).expect(part)).collect();
        assert!(at.is_sorted(), "{reason}");
        let missing = Matter { items: vec![open()], nights: Some(120.0), ..Matter::default() };
        assert_eq!(told(StationState::Set, missing).0, Task::Search);
    }

    #[test]
    fn what_is_lifted_is_never_moved_nor_served() {
        let all = Matter {
            breach: BREACH,
            nights: Some(300.0),
            gain: Some(Gain { gain: 1.0, elsewhere: true }),
            ..Matter::default()
        };
        let (task, reason) = told(StationState::Lifted, all);
        assert_eq!((task, reason.as_str()), (Task::None, "it is lifted already"));
        let lifting = Check { lifted: true, ..check(date(2025, 3, 1), Found::Intact) };
        let log = |check: Check| Matter { log: vec![check], ..Matter::default() };
        assert_eq!(told(StationState::Set, log(lifting.clone())).0, Task::None);
        // Left working by the same visit, or set again since.
        let serviced = Check { serviced: Some(true), ..lifting.clone() };
        assert_eq!(told(StationState::Set, log(serviced)).0, Task::Serve);
        let early = Check { date: date(2024, 12, 1), ..lifting };
        assert_eq!(told(StationState::Set, log(early)).0, Task::Serve);
        // A dose that is missing is looked for though the station is gone.
        let (task, reason) = told(StationState::Lifted, Matter { items: vec![open()], ..Matter::default() });
        assert!(task == Task::Search && reason.contains("missing") && reason.contains("lifted"), "{reason}");
    }

    #[test]
    fn silence_moves_or_refreshes_and_a_barred_proposal_is_left() {
        let after = |nights| told(StationState::Set, Matter { nights: Some(nights), ..Matter::default() });
        assert_eq!((after(111.0).0, after(112.0).0), (Task::Serve, Task::Move));
        assert!(after(60.0).1.contains("a new head and lure after 56"), "{}", after(60.0).1);
        assert_eq!(after(10.0), (Task::Serve, "nothing speaks against it".to_string()));
        let barred = Matter { breach: BREACH, ..Matter::default() };
        assert_eq!(told(StationState::Proposed, barred).0, Task::Leave);
        assert_eq!(told(StationState::Proposed, Matter::default()).0, Task::Serve);
        let without = Some(Gain { gain: 0.2, elsewhere: false });
        assert_eq!(told(StationState::Set, Matter { gain: without, ..Matter::default() }).0, Task::Lift);
    }
}
