//! Flags of `compare`.

use std::path::PathBuf;

use clap::Args;

use super::Flags;
use crate::plan::{CompareTable, Plan, SeasonOrFile};

/// How two seasons are compared.
#[derive(Args)]
pub(in crate::cli) struct CompareFlags {
    /// The season before: a file of sign, a name from [seasons] in the plan, or a label that
    /// records carry
    #[arg(long, value_name = "FILE|SEASON")]
    before: Option<SeasonOrFile>,
    /// The season after, likewise
    #[arg(long, value_name = "FILE|SEASON")]
    after: Option<SeasonOrFile>,
    /// Block size of the headline and the local tests; left out, the coarsest with enough blocks
    #[arg(long, value_name = "SIZE", value_parser = ["record", "outing", "day", "week", "month"])]
    block: Option<String>,
    /// Relabellings of every test
    #[arg(long, value_name = "N")]
    runs: Option<usize>,
    /// Seed of all randomness
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// Polygons of ground that was searched but not controlled
    #[arg(long, value_name = "FILE")]
    untreated: Option<PathBuf>,
}

impl Flags for CompareFlags {
    fn lay_on(&self, plan: &mut Plan) {
        plan.compare = CompareTable {
            before: self.before.clone(),
            after: self.after.clone(),
            block: self.block.clone(),
            runs: self.runs,
            seed: self.seed,
            untreated: self.untreated.clone(),
        };
    }
}
