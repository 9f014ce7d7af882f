//! Flags laid over a plan: a flag sets a key, and adds its files to those of the plan. What it
//! would replace is replaced only where that is asked for by name.

use std::path::{Path, PathBuf};
use std::str::FromStr;

use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Map, Value};

use super::{Plan, PlanError, SeasonOrFile};

/// What a command's flags say.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Overlay {
    /// Keys and input files.
    pub plan: Plan,
    /// Roles whose files of the plan give way to those of the flags.
    pub replace: Vec<Role>,
    /// EPSG codes of the systems that input files are in.
    pub input_epsg: Vec<(u32, PathBuf)>,
}

impl From<Plan> for Overlay {
    fn from(plan: Plan) -> Self {
        Self { plan, ..Self::default() }
    }
}

/// Of what kind an input file is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Role {
    /// `[[sign]]`.
    Sign,
    /// `[[survey]]`.
    Survey,
    /// `[[line]]`.
    Line,
    /// `[[keep_out]]`.
    KeepOut,
    /// `[[station]]`.
    Station,
    /// `[[check]]`.
    Check,
    /// `[sites] must`.
    Must,
    /// `[sites] never`.
    Never,
    /// `[place] area`.
    Area,
    /// `[wind] file`.
    Wind,
    /// `[surface] at`.
    At,
    /// `[terrain] dem`.
    Dem,
    /// `[compare] untreated`.
    Untreated,
}

impl Role {
    /// Every role that a flag can name a file of.
    pub const ALL: [Role; 13] = [
        Role::Sign,
        Role::Survey,
        Role::Line,
        Role::KeepOut,
        Role::Station,
        Role::Check,
        Role::Must,
        Role::Never,
        Role::Area,
        Role::Wind,
        Role::At,
        Role::Dem,
        Role::Untreated,
    ];

    /// The word that `--replace` takes.
    pub fn word(self) -> &'static str {
        match self {
            Role::Sign => "sign",
            Role::Survey => "survey",
            Role::Line => "line",
            Role::KeepOut => "keep-out",
            Role::Station => "station",
            Role::Check => "check",
            Role::Must => "must",
            Role::Never => "never",
            Role::Area => "area",
            Role::Wind => "wind",
            Role::At => "at",
            Role::Dem => "dem",
            Role::Untreated => "untreated",
        }
    }

    /// The flag that names a file of this role.
    fn flag(self) -> &'static str {
        match self {
            Role::Sign => "--sign",
            Role::Survey => "--survey",
            Role::Line => "--line",
            Role::KeepOut => "--keep-out",
            Role::Station => "--stations",
            Role::Check => "--checks",
            Role::Must => "--must",
            Role::Never => "--never",
            Role::Area => "--area",
            Role::Wind => "--wind",
            Role::At => "--at",
            Role::Dem => "--dem",
            Role::Untreated => "--untreated",
        }
    }
}

impl FromStr for Role {
    type Err = String;

    /// Reads a word as `--replace` takes it; plurals and underscores are accepted.
    fn from_str(text: &str) -> Result<Self, String> {
        let word = text.trim().to_lowercase().replace('_', "-");
        let singular = word.strip_suffix('s').unwrap_or(&word);
        let known = || Role::ALL.map(Role::word).join(", ");
        Role::ALL
            .into_iter()
            .find(|role| role.word() == word || role.word() == singular)
            .ok_or_else(|| format!("unknown role \"{text}\"; known are {}", known()))
    }
}

impl Plan {
    /// This plan with flags laid over it. A flag sets its key; the files that it names are added
    /// to those of the plan, the same file once, unless `replace` names their role. Where a plan
    /// holds one file of a kind, a second is refused.
    ///
    /// # Errors
    /// [`PlanError`] naming `file` where plan and flags contradict each other, with every case.
    pub fn overlaid(mut self, file: &Path, flags: &Overlay) -> Result<Self, PlanError> {
        let mut flags = flags.clone();
        let mut joining = Joining { replace: flags.replace.clone(), faults: Vec::new() };
        joining.check_asked(&flags.plan);
        let (own, more) = (&mut self, &mut flags.plan);
        joining.layers(Role::Sign, &mut own.sign, &mut more.sign);
        joining.layers(Role::Survey, &mut own.survey, &mut more.survey);
        joining.layers(Role::Line, &mut own.line, &mut more.line);
        joining.layers(Role::KeepOut, &mut own.keep_out, &mut more.keep_out);
        joining.layers(Role::Station, &mut own.station, &mut more.station);
        joining.layers(Role::Check, &mut own.check, &mut more.check);
        joining.places(Role::Must, &mut own.sites.must, &mut more.sites.must);
        joining.places(Role::Never, &mut own.sites.never, &mut more.sites.never);
        if joining.single(Role::Area, &mut own.place.area, &more.place.area) {
            own.place.area_epsg = None;
        }
        joining.single(Role::Wind, &mut own.wind.file, &more.wind.file);
        joining.single(Role::At, &mut own.surface.at, &more.surface.at);
        joining.single(Role::Dem, &mut own.terrain.dem, &more.terrain.dem);
        joining.single(Role::Untreated, &mut own.compare.untreated, &more.compare.untreated);
        self.say_systems(&flags.input_epsg, &mut joining.faults);
        if !joining.faults.is_empty() {
            return Err(PlanError { file: file.to_path_buf(), what: joining.faults.join("\n") });
        }
        let fail = |e: serde_json::Error| PlanError { file: PathBuf::from("flags"), what: e.to_string() };
        let mut both = serde_json::to_value(&self).map_err(fail)?;
        // What was joined above must not be laid over once more.
        let keys = flags.plan.without_layers();
        lay_over(&mut both, serde_json::to_value(&keys).map_err(fail)?);
        let plan: Plan = serde_json::from_value(both).map_err(fail)?;
        let mut plan = Plan { base: self.base, ..plan };
        plan.settle_seasons(Path::new(""));
        Ok(plan)
    }

    /// The keys without the lists of files.
    fn without_layers(mut self) -> Self {
        self.sign.clear();
        self.survey.clear();
        self.line.clear();
        self.keep_out.clear();
        self.station.clear();
        self.check.clear();
        self.sites.must = Default::default();
        self.sites.never = Default::default();
        self
    }

    /// Says of every layer of these files which system it is in.
    fn say_systems(&mut self, systems: &[(u32, PathBuf)], faults: &mut Vec<String>) {
        for (epsg, file) in systems {
            let mut found = false;
            let mut say = |named: &Path, own: &mut Option<u32>| {
                if !is_same_file(named, file) {
                    return;
                }
                found = true;
                match own.replace(*epsg) {
                    Some(other) if other != *epsg => faults.push(format!(
                        "--input-epsg {epsg}={}: the plan says epsg = {other} of this file; say one of the two",
                        file.display()
                    )),
                    _ => {}
                }
            };
            self.sign.iter_mut().chain(&mut self.survey).for_each(|l| say(&l.file, &mut l.epsg));
            self.line.iter_mut().for_each(|l| say(&l.file, &mut l.epsg));
            self.keep_out.iter_mut().for_each(|l| say(&l.file, &mut l.epsg));
            self.station.iter_mut().for_each(|l| say(&l.file, &mut l.epsg));
            self.parcel.iter_mut().for_each(|l| say(&l.file, &mut l.epsg));
            if let Some(area) = &self.place.area {
                say(area, &mut self.place.area_epsg);
            }
            if !found {
                faults.push(format!(
                    "--input-epsg {epsg}={}: no sign, survey, line, keep-out, station, parcel or area of this run is that file",
                    file.display()
                ));
            }
        }
    }

    /// Takes a season that is written like a path for a name where the plan has a season of that
    /// name, or where it looks like no file and none is there. Files lie below `folder`.
    pub(super) fn settle_seasons(&mut self, folder: &Path) {
        for season in [&mut self.compare.before, &mut self.compare.after].into_iter().flatten() {
            if let SeasonOrFile::File(file) = season {
                let text = file.to_string_lossy().into_owned();
                let is_name = self.seasons.contains_key(&text);
                if is_name || (file.extension().is_none() && !folder.join(&*file).exists()) {
                    *season = SeasonOrFile::Season(text);
                }
            }
        }
    }
}

/// The plan's files and those of the flags, as they are put together.
struct Joining {
    replace: Vec<Role>,
    faults: Vec<String>,
}

impl Joining {
    /// Nothing of a plan gives way to nothing.
    fn check_asked(&mut self, flags: &Plan) {
        for &role in &self.replace {
            let given = match role {
                Role::Sign => !flags.sign.is_empty(),
                Role::Survey => !flags.survey.is_empty(),
                Role::Line => !flags.line.is_empty(),
                Role::KeepOut => !flags.keep_out.is_empty(),
                Role::Station => !flags.station.is_empty(),
                Role::Check => !flags.check.is_empty(),
                Role::Must => !flags.sites.must.is_empty(),
                Role::Never => !flags.sites.never.is_empty(),
                Role::Area => flags.place.area.is_some(),
                Role::Wind => flags.wind.file.is_some(),
                Role::At => flags.surface.at.is_some(),
                Role::Dem => flags.terrain.dem.is_some(),
                Role::Untreated => flags.compare.untreated.is_some(),
            };
            if !given {
                let (word, flag) = (role.word(), role.flag());
                self.faults.push(format!(
                    "--replace {word}: no {flag} is given to take the place of the plan's; give one, or take --replace {word} away"
                ));
            }
        }
    }

    fn replaces(&self, role: Role) -> bool {
        self.replace.contains(&role)
    }

    /// Adds the flags' layers to the plan's. A layer that both have is one; what they say of it
    /// differently is a fault.
    fn layers<L: Serialize + DeserializeOwned>(&mut self, role: Role, own: &mut Vec<L>, more: &mut Vec<L>) {
        if self.replaces(role) {
            own.clear();
        }
        for layer in more.drain(..) {
            let Ok(Value::Object(said)) = serde_json::to_value(&layer) else { continue };
            let known = own.iter_mut().find_map(|layer| match serde_json::to_value(&*layer) {
                Ok(Value::Object(known)) if is_same_layer(&known, &said) => Some((layer, known)),
                _ => None,
            });
            let Some((place, mut both)) = known else {
                own.push(layer);
                continue;
            };
            for (key, value) in said {
                match both.get(&key) {
                    None => drop(both.insert(key, value)),
                    Some(own) if key == "file" || *own == value => {}
                    Some(own) => self.faults.push(format!(
                        "{} {}: this file is given twice, with {key} = {own} and {key} = {value}; give it once, or put --replace {} to use the flags alone",
                        role.flag(),
                        text_of(&both, "file"),
                        role.word(),
                    )),
                }
            }
            if let Ok(joined) = serde_json::from_value(Value::Object(both)) {
                *place = joined;
            }
        }
    }

    fn places<T: Clone>(&mut self, role: Role, own: &mut super::Places<T>, more: &mut super::Places<T>) {
        if self.replaces(role) {
            *own = Default::default();
        }
        own.add(std::mem::take(more), |a, b| is_same_file(a, b));
    }

    /// Refuses a second file where a plan holds one. Whether the flag's takes the place of the
    /// plan's.
    fn single(&mut self, role: Role, own: &mut Option<PathBuf>, flag: &Option<PathBuf>) -> bool {
        let (Some(known), Some(other)) = (own.as_ref(), flag) else { return false };
        if is_same_file(known, other) {
            return false;
        }
        if self.replaces(role) {
            *own = None;
            return true;
        }
        self.faults.push(format!(
            "{flag} {}: the plan has {} already, and holds one file of this kind; put --replace {} to use the flag's instead",
            other.display(),
            known.display(),
            role.word(),
            flag = role.flag(),
        ));
        false
    }
}

fn text_of<'v>(layer: &'v Map<String, Value>, key: &str) -> &'v str {
    layer.get(key).and_then(Value::as_str).unwrap_or("")
}

/// Whether a flag's layer is one that the plan has: the same file, and where the plan reads one
/// layer of several, that one or none said.
fn is_same_layer(own: &Map<String, Value>, flag: &Map<String, Value>) -> bool {
    let same_layer = match (own.get("layer"), flag.get("layer")) {
        (own, Some(layer)) => own == Some(layer),
        (_, None) => true,
    };
    same_layer && is_same_file(Path::new(text_of(own, "file")), Path::new(text_of(flag, "file")))
}

/// Whether two names are of one file, by whatever way it is named.
fn is_same_file(a: &Path, b: &Path) -> bool {
    a == b || matches!((a.canonicalize(), b.canonicalize()), (Ok(a), Ok(b)) if a == b)
}

fn lay_over(base: &mut Value, flags: Value) {
    match (base, flags) {
        (Value::Object(base), Value::Object(flags)) => {
            for (key, value) in flags {
                lay_over(base.entry(key).or_insert(Value::Null), value);
            }
        }
        (base, value) => *base = value,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::{KeepOutLayer, NonNegative, Places, Positive, SitesTable};

    fn plan(text: &str) -> Plan {
        Plan::parse(Path::new("p/plan.toml"), text).unwrap()
    }

    fn keep_out(file: &str, distance_m: f64) -> Plan {
        let distance_m = Some(NonNegative::try_from(distance_m).unwrap());
        let layer = KeepOutLayer { file: file.into(), distance_m, ..Default::default() };
        Plan { keep_out: vec![layer], ..Default::default() }
    }

    fn joined(text: &str, flags: Plan, replace: &[Role]) -> Result<Plan, String> {
        let flags = Overlay { replace: replace.to_vec(), ..flags.into() };
        plan(text).overlaid(Path::new("p/plan.toml"), &flags).map_err(|e| e.to_string())
    }

    #[test]
    fn flags_win_over_the_plan_key_by_key() {
        let flags =
            Plan { sites: SitesTable { budget: Some(9), ..Default::default() }, ..Default::default() };
        let both = joined("[sites]\nspacing_m = 800\nbudget = 4\n", flags, &[]).unwrap();
        assert_eq!(both.sites.budget, Some(9));
        assert_eq!(both.sites.spacing_m.map(Positive::get), Some(800.0));
    }

    const KEEP_OUT: &str = "[[keep_out]]\nfile = \"keep.geojson\"\ndistance_m = 200\n";

    #[test]
    fn files_of_flags_are_added_and_replace_by_name_alone() {
        let files = |plan: Plan| {
            plan.keep_out.iter().map(|l| l.file.to_string_lossy().into_owned()).collect::<Vec<_>>()
        };
        let added = joined(KEEP_OUT, keep_out("more.geojson", 5.0), &[]).unwrap();
        assert_eq!(files(added), ["p/keep.geojson", "more.geojson"]);
        let alone = joined(KEEP_OUT, keep_out("more.geojson", 5.0), &[Role::KeepOut]).unwrap();
        assert_eq!(files(alone), ["more.geojson"]);
        let asked_for_nothing = joined(KEEP_OUT, Plan::default(), &[Role::KeepOut]).unwrap_err();
        assert!(asked_for_nothing.contains("--replace keep-out"), "{asked_for_nothing}");
    }

    #[test]
    fn a_file_in_plan_and_flag_is_one_and_must_not_be_contradicted() {
        let same = joined(KEEP_OUT, keep_out("p/keep.geojson", 200.0), &[]).unwrap();
        assert_eq!(same.keep_out.len(), 1);
        let why = joined(KEEP_OUT, keep_out("p/keep.geojson", 5.0), &[]).unwrap_err();
        assert!(why.contains("distance_m = 200") && why.contains("--replace keep-out"), "{why}");
        let filled = "[[keep_out]]\nfile = \"keep.geojson\"\n";
        let filled = joined(filled, keep_out("p/keep.geojson", 5.0), &[]).unwrap();
        assert_eq!(filled.keep_out[0].distance_m.map(NonNegative::get), Some(5.0));
    }

    #[test]
    fn a_second_area_is_refused_until_it_is_asked_for() {
        let mut flags = Plan::default();
        flags.place.area = Some("b.geojson".into());
        let text = "[place]\narea = \"a.geojson\"\narea_epsg = 28355\n";
        let why = joined(text, flags.clone(), &[]).unwrap_err();
        assert!(why.contains("--replace area"), "{why}");
        let replaced = joined(text, flags.clone(), &[Role::Area]).unwrap();
        assert_eq!((replaced.place.area, replaced.place.area_epsg), (Some("b.geojson".into()), None));
        flags.place.area = Some("p/a.geojson".into());
        assert_eq!(joined(text, flags, &[]).unwrap().place.area_epsg, Some(28355));
    }

    #[test]
    fn places_of_plan_and_flags_are_all_kept_and_written() {
        let mut flags = Plan::default();
        flags.sites.never = Places::of_files(["n.geojson".into()]);
        let text = "[sites]\nnever = [{ at = [148.2, -35.4], within_m = 50 }]\nmust = \"m.geojson\"\n";
        let both = joined(text, flags, &[]).unwrap();
        assert_eq!((both.sites.never.listed().count(), both.sites.never.files().count()), (1, 1));
        let again = Plan::parse(Path::new("settings.toml"), &both.to_settings()).unwrap();
        assert_eq!(again, both);
    }

    #[test]
    fn a_season_with_a_slash_is_a_name_where_the_plan_has_it() {
        let text = "[seasons]\n\"2023/24\" = { from = \"2026-01-01\", to = \"2026-03-31\" }\n[compare]\nbefore = \"2023/24\"\nafter = \"x/sign.geojson\"\n";
        let compare = plan(text).compare;
        assert_eq!(compare.before, Some(SeasonOrFile::Season("2023/24".into())));
        assert_eq!(compare.after, Some(SeasonOrFile::File("p/x/sign.geojson".into())));
        let mut flags = Plan::default();
        flags.compare.after = Some("2023/24".parse().unwrap());
        let both = joined(text, flags, &[]).unwrap();
        assert_eq!(both.compare.after, Some(SeasonOrFile::Season("2023/24".into())));
    }

    #[test]
    fn a_system_is_said_of_files_of_the_plan_too() {
        let flags =
            |epsg, file: &str| Overlay { input_epsg: vec![(epsg, file.into())], ..Overlay::default() };
        let said = plan(KEEP_OUT).overlaid(Path::new("p"), &flags(28355, "p/keep.geojson")).unwrap();
        assert_eq!(said.keep_out[0].epsg, Some(28355));
        let why = plan(KEEP_OUT).overlaid(Path::new("p"), &flags(28355, "other.shp")).unwrap_err();
        assert!(why.to_string().contains("other.shp"), "{why}");
    }
}
