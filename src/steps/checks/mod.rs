//! `checks`: what the check log shows.

mod station;
mod words;

use std::collections::BTreeMap;
use std::io::Write;
use std::time::Instant;

use jiff::civil::Date;
use serde_json::{Map, Value, json};

use super::check_rows::{read_checks, targets};
use super::round::schedule;
use super::verdicts::{Verdicts, quiet_rule, verdicts};
use super::written::{counted, members, said_first};
use super::{Desk, Outcome, StepError};
use crate::checks::{
    Balance, FitSettings, Fitted, History, Interval, Quiet, Rate, StationCount, Survival, balance, bootstrap,
    fit_weights, history, line_of, quiet,
};
use crate::files::OutputSet;
use crate::files::write::round_to;
use crate::record::{Check, Found};
use crate::round::{Due, Urgency, is_other_take};
use words::{balance_json, parts_of, rate_json, weights_json, weights_toml};

/// Level of every interval that is written.
const LEVEL: f64 = 0.95;
/// Nights by which the share activated is written: one, two, four, eight and twelve weeks.
const NIGHTS: [f64; 5] = [7.0, 14.0, 28.0, 56.0, 84.0];

/// Reads the check log and writes `checks.json`, `checks.geojson` and, where there are
/// activations enough, `suggested-weights.toml`. The user's own files are only read.
///
/// # Errors
/// [`StepError::Request`] without stations or without a check log.
pub fn checks(desk: &Desk, set: &mut OutputSet) -> Result<Outcome, StepError> {
    let started = Instant::now();
    let mut outcome = desk.outcome();
    let request = |what: &str| StepError::Request {
        files: desk.files_of(&["station", "check"]),
        what: what.to_string(),
    };
    if desk.job.stations.is_empty() {
        return Err(request("no station; name a station file with --stations"));
    }
    if desk.job.check_rows.is_empty() {
        return Err(request("no check; name a check log with --checks"));
    }
    let log = read_checks(desk, &mut outcome)?;
    desk.progress.stage("reading the check log", None);
    let verdicts = verdicts(desk, &log, &mut outcome)?;
    let (on, due) = schedule(desk, &log, &verdicts)?;
    let table = &desk.plan.checks;
    let books = balance(&desk.job.stations, &log, table.capsules_per_station.unwrap_or(1));
    let history = history(&desk.job.stations, &log);
    let all = Rate::of(&history.intervals);
    let mean_per_night = all.per_100_nights().unwrap_or(0.0) / 100.0;
    let quiet = quiet(&history, mean_per_night, quiet_rule(desk));
    let view = View {
        desk,
        log: &log,
        due: &due,
        on,
        books: &books,
        history: &history,
        all,
        quiet: &quiet,
        verdicts: &verdicts,
    };
    view.warn(&mut outcome);
    let weights = view.weights();
    if let Ok(fitted) = &weights {
        set.write("suggested-weights.toml", |out| out.write_all(weights_toml(fitted).as_bytes()))?;
    }
    view.write_geojson(set)?;
    let mut summary = view.summary(&weights);
    summary.insert("seconds".into(), json!({ "checks": started.elapsed().as_secs_f64() }));
    let summary = Value::Object(summary);
    set.write_summary("checks.json", &summary)?;
    view.tell(&weights, &mut outcome);
    outcome.set("checks", summary);
    Ok(outcome)
}

type Weights = Result<Fitted, String>;

/// All that the log shows.
struct View<'a> {
    desk: &'a Desk<'a>,
    log: &'a [Check],
    due: &'a [Due],
    on: Option<Date>,
    books: &'a Balance,
    history: &'a History,
    all: Rate,
    quiet: &'a [Quiet],
    verdicts: &'a Verdicts,
}

impl View<'_> {
    fn id(&self, station: usize) -> &str {
        &self.desk.job.stations[station].what.station_id
    }

    /// A property of a station as its file has it, as text.
    fn property(&self, station: usize, name: &str) -> Option<String> {
        match self.desk.job.station_properties.get(self.id(station))?.get(name)? {
            Value::String(text) => Some(text.clone()),
            value @ (Value::Number(_) | Value::Bool(_)) => Some(value.to_string()),
            _ => None,
        }
    }

    /// The rates of groups of intervals; intervals without a group are left out.
    fn rates_by(&self, group: impl Fn(&Interval) -> Option<String>) -> Value {
        let mut groups: BTreeMap<String, Vec<&Interval>> = BTreeMap::new();
        for interval in &self.history.intervals {
            if let Some(name) = group(interval) {
                groups.entry(name).or_default().push(interval);
            }
        }
        let rates = groups.into_iter().map(|(name, own)| (name, rate_json(&Rate::of(own))));
        Value::Object(rates.collect())
    }

    fn by_property(&self, name: &str) -> Value {
        self.rates_by(|interval| self.property(interval.station, name))
    }

    /// Activations by animal, each over the effort of all stations.
    fn by_animal(&self) -> Value {
        let mut counts: BTreeMap<String, Rate> = BTreeMap::new();
        let (nights, effective_nights) = (self.all.nights, self.all.effective_nights);
        for interval in &self.history.intervals {
            let name = interval.animal.as_ref().map_or("unknown".to_string(), |a| a.word().to_string());
            if matches!(interval.found, Found::Activated | Found::BaitTaken) {
                let rate = counts.entry(name).or_insert(Rate { nights, effective_nights, ..Rate::default() });
                rate.activations += u64::from(interval.found == Found::Activated);
                rate.heads_taken += u64::from(interval.found == Found::BaitTaken);
                rate.inactive += 1;
            }
        }
        Value::Object(counts.iter().map(|(name, rate)| (name.clone(), rate_json(rate))).collect())
    }

    /// The season of the plan that holds the middle of an interval.
    fn season(&self, interval: &Interval) -> Option<String> {
        let middle = interval.middle();
        let holds = |s: &crate::plan::Season| (s.from.0..=s.to.0).contains(&middle);
        self.desk.plan.seasons.iter().find(|(_, s)| holds(s)).map(|(name, _)| name.clone())
    }

    fn time_to_activation(&self) -> Value {
        let spells = &self.history.spells;
        let table = &self.desk.plan.checks;
        let (draws, seed) = (table.runs.unwrap_or(200), table.seed.unwrap_or(1));
        let estimate = Survival::estimate(spells);
        let intervals = bootstrap(spells, draws, seed, LEVEL, |s| {
            let certain = NIGHTS.iter().map(|&n| s.activated_by(n)[0]);
            let median = s.quantile(0.5).unwrap_or(f64::INFINITY);
            certain.chain([median]).collect()
        });
        let finite = |x: f64| x.is_finite().then_some(x);
        let by: Vec<Value> = NIGHTS
            .iter()
            .enumerate()
            .map(|(k, &nights)| {
                let [least, most] = estimate.activated_by(nights).map(|x| round_to(x, 6));
                let interval = intervals.get(k).map(|i| i.map(|x| round_to(x, 6)));
                json!({ "nights": nights, "least": least, "most": most, "interval_of_least": interval })
            })
            .collect();
        let median = intervals.last().map(|i| i.map(finite));
        let masses: Vec<Value> = estimate
            .masses
            .iter()
            .map(|m| json!({ "after": m.after, "by": finite(m.by), "share": round_to(m.share, 9) }))
            .collect();
        json!({
            "method": "Turnbull 1976; bootstrap over stations",
            "spells": spells.len(),
            "activated": spells.iter().filter(|s| s.most.is_finite()).count(),
            "median_nights": estimate.quantile(0.5),
            "median_interval": median,
            "activated_by": by,
            "draws": draws,
            "masses": masses,
        })
    }

    /// The regression of activations on the score parts that the station files carry.
    fn weights(&self) -> Weights {
        let mut names: Vec<String> = Vec::new();
        let mut rows: Vec<(usize, BTreeMap<String, f64>)> = Vec::new();
        for own in self.history.intervals.chunk_by(|a, b| a.station == b.station) {
            let station = own[0].station;
            let properties = self.desk.job.station_properties.get(self.id(station));
            let parts = properties.and_then(|p| p.get("parts")).map(parts_of).unwrap_or_default();
            if !parts.is_empty() {
                names.extend(parts.keys().filter(|name| !names.contains(name)).cloned().collect::<Vec<_>>());
                rows.push((station, parts));
            }
        }
        names.sort();
        let counts: Vec<StationCount> = rows
            .iter()
            .filter(|(_, parts)| names.iter().all(|name| parts.contains_key(name)))
            .map(|(station, parts)| {
                let rate = Rate::of(self.history.intervals.iter().filter(|i| i.station == *station));
                StationCount {
                    activations: rate.activations as f64,
                    nights: rate.effective_nights,
                    parts: names.iter().map(|name| parts[name]).collect(),
                }
            })
            .collect();
        let table = &self.desk.plan.checks;
        let defaults = FitSettings::default();
        let settings = FitSettings {
            ridge: table.ridge.map_or(defaults.ridge, |r| r.get()),
            draws: table.runs.unwrap_or(defaults.draws),
            seed: table.seed.unwrap_or(defaults.seed),
            ..defaults
        };
        fit_weights(&names, &counts, &settings).map_err(|e| e.to_string())
    }

    fn summary(&self, weights: &Weights) -> Map<String, Value> {
        let in_file = |interval: &Interval| self.id(interval.station).to_string();
        let other_takes: Vec<Value> = self
            .log
            .iter()
            .filter(|c| is_other_take(c, &targets(self.desk.plan)))
            .map(|c| {
                let own = json!({
                    "station_id": &*c.station_id,
                    "date": c.date.to_string(),
                    "animal": c.animal.as_ref().map(|a| a.word()),
                    "found": c.found.word(),
                });
                Value::Object(self.with_task(&c.station_id, own))
            })
            .collect();
        members(json!({
            "cautions": said_first(self.desk),
            "balance": balance_json(self.books),
            "open_items": self.open_items(),
            "checks": self.log.len(),
            "on": self.on.map(|d| d.to_string()),
            "rates": {
                "unit": "activations per 100 effective station-nights",
                "method": "Nelson & Clark 1973; interval Garwood 1936, 95 percent",
                "all": rate_json(&self.all),
                "by_station": self.rates_by(|i| Some(in_file(i))),
                "by_line": self.by_property("line"),
                "by_kind": self.by_property("kind"),
                "by_side": self.by_property("side"),
                "by_cluster": self.by_property("cluster_id"),
                "by_animal": self.by_animal(),
                "by_season": self.rates_by(|i| self.season(i)),
            },
            "time_to_activation": self.time_to_activation(),
            "takes_by_other_animals": other_takes,
            "quiet": self.quiet.iter().map(|q| self.quiet_json(q)).collect::<Vec<_>>(),
            "stations": self.verdicts.to_json(&self.desk.job.stations),
            "due": self.due.iter().map(|due| self.due_json(due)).collect::<Vec<_>>(),
            "weights": weights_json(weights),
        }))
    }

    fn warn(&self, outcome: &mut Outcome) {
        if self.history.unsaid > 0 {
            outcome.warn(format!(
                "{} of a station not intact without a word on whether it was serviced; it is taken as left working",
                counted(self.history.unsaid, "check")
            ));
        }
        if self.history.idle_visits > 0 {
            outcome.warn(format!(
                "{} with a find at a station that had not been left working, counted for the capsules only",
                counted(self.history.idle_visits, "check")
            ));
        }
        if self.log.iter().all(|c| c.capsules_out.is_none() && c.capsules_back.is_none()) {
            outcome.warn("no check says how many capsules were taken out or brought back (capsules_out, capsules_back); the account rests on what was found alone");
        }
    }

    fn tell(&self, weights: &Weights, outcome: &mut Outcome) {
        self.tell_balance(outcome);
        for item in &self.books.open_items {
            outcome.say(format!(
                "open: {} capsule missing at {} since {}",
                item.capsules, item.station_id, item.since
            ));
        }
        let all = &self.all;
        match (all.per_100_nights(), all.interval_per_100_nights(LEVEL)) {
            (Some(rate), Some([low, high])) => outcome.say(format!(
                "{} activations in {:.0} effective station-nights: {rate:.2} per 100 (95 percent: {low:.2} to {high:.2})",
                all.activations, all.effective_nights
            )),
            _ => outcome.say("no effort between two checks of a working station: no rate can be given"),
        }
        if all.heads_taken > 0 {
            outcome.say(format!("{} taken without activation", counted(all.heads_taken as usize, "head")));
        }
        let first = |urgency| {
            let ids = self.due.iter().filter(move |d| d.urgency == urgency).map(|d| &*d.station_id);
            ids.collect::<Vec<_>>().join(", ")
        };
        let review = first(Urgency::Review);
        if !review.is_empty() {
            outcome.say(format!("review first, taken by an animal they are not meant for: {review}"));
        }
        self.verdicts.tell(&self.desk.job.stations, outcome);
        match weights {
            Ok(_) => outcome.say(
                "suggested-weights.toml holds what the log suggests for siting; it is applied nowhere, and only high-scoring places were ever tried",
            ),
            Err(why) => outcome.say(format!("no weights are suggested: {why}")),
        }
    }

    /// The first line of the summary, whether or not the capsules balance.
    fn tell_balance(&self, outcome: &mut Outcome) {
        let total = &self.books.total;
        let sum = format!(
            "{} issued = {} in the ground + {} discharged + {} returned + {} lost",
            total.issued, total.in_ground, total.discharged, total.returned, total.lost
        );
        if self.books.holds() {
            outcome.lines.insert(0, format!("capsules balance: {sum}"));
            return;
        }
        let faults: Vec<String> = self
            .books
            .faults
            .iter()
            .map(|e| format!("{} ({:+})", line_of(&e.source), e.account.unaccounted))
            .collect();
        outcome.lines.insert(
            0,
            format!(
                "CAPSULES DO NOT BALANCE: {sum} {:+} unaccounted for; see {}",
                total.unaccounted,
                faults.join(", ")
            ),
        );
    }
}
