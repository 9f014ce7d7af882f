//! The plan: what to read and how to compute, from `plan.toml`, from flags, or from both.
//!
//! A flag overrides the plan's key and adds its files to the plan's ([`Overlay`]). Every key is optional; defaults belong to the rooms
//! that use them. Paths in a plan are relative to the plan's folder; once a plan is
//! loaded they are relative to the working directory, as flags are.

mod compare;
mod excerpt;
mod keys;
mod layers;
mod nodes;
mod overlay;
mod period;
mod places;
mod round;
mod safety;
mod sites;
mod surface;
mod template;
mod terrain;
mod values;
mod wind;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use compare::{CompareTable, SeasonOrFile};
pub(crate) use excerpt::pointed_at;
pub use layers::{
    AlsoFormat, DateStyle, KeepOutLayer, Layer, LineLayer, ParcelLayer, Place, Season, Select, SignLayer,
    Source,
};
pub use nodes::{ConvergenceTable, NodesTable};
pub use overlay::{Overlay, Role};
pub use period::{DaysOfYear, PeriodTable};
pub use places::{FileOrPlace, Places};
pub use round::{ChecksTable, KitTable, RoundTable, RuleTable};
pub use safety::SafetyTable;
pub use sites::{
    BarredPlace, FixedPlace, NonTargetTable, NumberLayer, SitesTable, TargetTable, WeightsTable,
};
pub use surface::SurfaceTable;
pub use template::template;
pub use terrain::TerrainTable;
pub use values::{DayOfYear, DayText, MetresOrRule, NonNegative, Positive, ValueError};
pub use wind::WindTable;

/// Everything that a plan can say.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Plan {
    /// The folder at which relative paths start; empty for the working directory.
    #[serde(skip)]
    pub base: PathBuf,
    /// Where relative paths start: absent or `plan` for the plan's own folder,
    /// `working-directory` in the `settings.toml` that a run writes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub paths_from: Option<PathsFrom>,
    /// Formats in which all layers are written once more, into one file each.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub also: Vec<AlsoFormat>,
    /// The place: coordinate system, area, time zone.
    #[serde(skip_serializing_if = "is_default")]
    pub place: Place,
    /// Which of the sign is used.
    #[serde(skip_serializing_if = "is_default")]
    pub select: Select,
    /// Names that properties carry in the files, by layer and property.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub fields: BTreeMap<String, BTreeMap<String, String>>,
    /// Sign files.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub sign: Vec<SignLayer>,
    /// Survey leg files.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub survey: Vec<SignLayer>,
    /// Line files.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub line: Vec<LineLayer>,
    /// Keep-out files.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub keep_out: Vec<KeepOutLayer>,
    /// Station files.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub station: Vec<Layer>,
    /// Files of neighbouring land.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub parcel: Vec<ParcelLayer>,
    /// Seasons by name.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub seasons: BTreeMap<String, Season>,
    /// A raster of heights and what is taken from it.
    #[serde(skip_serializing_if = "is_default")]
    pub terrain: TerrainTable,
    /// Times of the year by name.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub periods: BTreeMap<String, PeriodTable>,
    /// How the activity surface is made.
    #[serde(skip_serializing_if = "is_default")]
    pub surface: SurfaceTable,
    /// How the network is built.
    #[serde(skip_serializing_if = "is_default")]
    pub nodes: NodesTable,
    /// How sites are chosen.
    #[serde(skip_serializing_if = "is_default")]
    pub sites: SitesTable,
    /// Animals that the control is not for.
    #[serde(skip_serializing_if = "is_default")]
    pub non_target: NonTargetTable,
    /// The wind.
    #[serde(skip_serializing_if = "is_default")]
    pub wind: WindTable,
    /// Check log files.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub check: Vec<Layer>,
    /// How the check round is planned.
    #[serde(skip_serializing_if = "is_default")]
    pub round: RoundTable,
    /// Whom to call.
    #[serde(skip_serializing_if = "is_default")]
    pub safety: SafetyTable,
    /// How the check log is read.
    #[serde(skip_serializing_if = "is_default")]
    pub checks: ChecksTable,
    /// How two seasons are compared.
    #[serde(skip_serializing_if = "is_default")]
    pub compare: CompareTable,
}

/// Where the relative paths of a plan start.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum PathsFrom {
    /// The folder that holds the plan.
    Plan,
    /// The folder that the command is run from.
    WorkingDirectory,
}

/// A plan that cannot be used; the text names the file, the line and the column.
#[derive(thiserror::Error, Clone, PartialEq, Eq, Debug)]
#[error("{}: {what}", file.display())]
pub struct PlanError {
    /// The plan.
    pub file: PathBuf,
    /// What is wrong and what to do, all faults one a line.
    pub what: String,
}

impl Plan {
    /// Reads a plan from the text of `file`. All unknown keys are reported together, each
    /// with the nearest known one.
    ///
    /// ```
    /// use stakeline::plan::Plan;
    /// use std::path::Path;
    /// let file = Path::new("farm/plan.toml");
    /// let plan = Plan::parse(file, "[[sign]]\nfile = \"sign.geojson\"\n[sites]\nspacing_m = 800\n").unwrap();
    /// assert_eq!(plan.sign[0].file, Path::new("farm/sign.geojson"));
    /// let fault = Plan::parse(file, "[sites]\nspaceing_m = 800\n").unwrap_err();
    /// assert!(fault.to_string().contains("line 2, column 1"));
    /// assert!(fault.to_string().contains("spacing_m"));
    /// ```
    ///
    /// # Errors
    /// [`PlanError`] for text that is not TOML, unknown keys and values of the wrong kind.
    pub fn parse(file: &Path, text: &str) -> Result<Self, PlanError> {
        let fail = |what| PlanError { file: file.to_path_buf(), what };
        keys::check(text, &Self::schema()).map_err(fail)?;
        let mut plan: Plan = toml::from_str(text).map_err(|e| fail(keys::describe(text, &e)))?;
        let starts_here = plan.paths_from == Some(PathsFrom::WorkingDirectory);
        let folder = if starts_here { None } else { file.parent() };
        plan.settle_seasons(folder.unwrap_or(Path::new("")));
        if let Some(folder) = folder {
            for path in plan.paths_mut() {
                *path = folder.join(&*path);
            }
        }
        plan.paths_from = None;
        Ok(plan)
    }

    /// The text of a `settings.toml` that reproduces a run with this plan from the same
    /// working directory.
    pub fn to_settings(&self) -> String {
        let mut settings = self.clone();
        settings.paths_from = Some(PathsFrom::WorkingDirectory);
        let text = toml::to_string(&settings).unwrap_or_else(|e| format!("# could not be written: {e}\n"));
        format!(
            "# The settings of a stakeline {} run. Paths start at the folder it was run from:\n\
             # run a command with this file there to reproduce the outputs.\n{text}",
            env!("CARGO_PKG_VERSION")
        )
    }

    /// The settings as JSON, for the foreign member of outputs. Paths are cut to file names,
    /// so that outputs do not depend on where the inputs lie.
    pub fn to_json(&self) -> serde_json::Value {
        let mut plan = self.clone();
        for path in plan.paths_mut() {
            *path = path.file_name().map(PathBuf::from).unwrap_or_default();
        }
        serde_json::to_value(plan).unwrap_or_default()
    }

    /// JSON Schema (2020-12) of `plan.toml`.
    pub fn schema() -> serde_json::Value {
        let settings =
            schemars::generate::SchemaSettings::draft2020_12().with(|s| s.inline_subschemas = true);
        settings.into_generator().into_root_schema_for::<Plan>().to_value()
    }

    /// Every file that the plan names.
    pub fn every_path(&self) -> Vec<PathBuf> {
        self.clone().paths_mut().into_iter().map(std::mem::take).collect()
    }

    /// The same, to be changed.
    pub(crate) fn paths_mut(&mut self) -> Vec<&mut PathBuf> {
        let mut paths: Vec<&mut PathBuf> = Vec::new();
        paths.extend(self.place.area.as_mut());
        paths.extend(self.sign.iter_mut().map(|l| &mut l.file));
        paths.extend(self.survey.iter_mut().map(|l| &mut l.file));
        paths.extend(self.line.iter_mut().map(|l| &mut l.file));
        paths.extend(self.keep_out.iter_mut().map(|l| &mut l.file));
        paths.extend(self.station.iter_mut().map(|l| &mut l.file));
        paths.extend(self.parcel.iter_mut().map(|l| &mut l.file));
        paths.extend(self.check.iter_mut().map(|l| &mut l.file));
        paths.extend(self.surface.at.as_mut());
        for season in [&mut self.compare.before, &mut self.compare.after].into_iter().flatten() {
            if let SeasonOrFile::File(file) = season {
                paths.push(file);
            }
        }
        paths.extend(self.compare.untreated.as_mut());
        paths.extend(self.wind.file.as_mut());
        paths.extend(self.terrain.dem.as_mut());
        paths.extend(self.sites.must.files_mut());
        paths.extend(self.sites.never.files_mut());
        paths.extend(self.sites.cover.as_mut());
        paths.extend(self.sites.layer.iter_mut().map(|l| &mut l.file));
        paths
    }
}

fn is_default<T: Default + PartialEq>(table: &T) -> bool {
    *table == T::default()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Plan, PlanError> {
        Plan::parse(Path::new("p/plan.toml"), text)
    }

    #[test]
    fn settings_reproduce_the_plan() {
        let plan =
            parse("[[line]]\nkind = \"track\"\nfile = \"t.geojson\"\n[surface]\nbandwidth = \"scott\"\n")
                .unwrap();
        let again = Plan::parse(Path::new("elsewhere/settings.toml"), &plan.to_settings()).unwrap();
        assert_eq!(again, plan);
    }

    #[test]
    fn every_fault_of_the_keys_is_told_at_once() {
        let fault = parse("[place]\nepsq = 1\n[sites]\nbugdet = 3\n[sits]\n").unwrap_err().to_string();
        for part in ["line 2, column 1", "epsg", "line 4, column 1", "budget", "line 5", "sites"] {
            assert!(fault.contains(part), "{part} not in {fault}");
        }
    }

    #[test]
    fn a_value_of_the_wrong_kind_has_its_place() {
        let fault = parse("[sites]\nspacing_m = -5\n").unwrap_err().to_string();
        assert!(fault.contains("line 2") && fault.contains("more than 0"), "{fault}");
    }

    #[test]
    fn the_template_is_a_valid_plan_and_holds_no_distance() {
        let text = template("demo");
        parse(&text).unwrap();
        let uncommented: String =
            text.lines().map(|l| l.trim_start_matches("# ")).filter(|l| l.contains("distance_m")).collect();
        assert!(!uncommented.chars().any(|c| c.is_ascii_digit()), "{uncommented}");
    }
}
