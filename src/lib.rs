//! stakeline turns sign surveys and the lines on a property map into a proposed layer of
//! ground stations, helps look after them, and shows honestly how activity changes
//! between seasons.
//!
//! It decides nothing lawful: local codes, the product label, permits and training decide what
//! may be used and where. Every distance to keep comes from the caller; none is built in.
//!
//! # The flow
//! Data flows one way through the rooms below; each uses only rooms above it.
//!
//! | room | takes | gives |
//! |---|---|---|
//! | [`record`] | | sign, survey legs, lines, keep-outs, stations, checks: plain types with units |
//! | [`frame`] | longitude and latitude | metres in a projected system, distances on the ellipsoid |
//! | [`plan`] | `plan.toml`, flags | one [`plan::Plan`] |
//! | [`files`] | files | raw features and rasters; and back, as whole sets of outputs |
//! | [`job`] | raw features | one [`job::Job`] in one frame, with all findings |
//! | [`statistics`] | counts, shares | quantiles, intervals and roots that always end |
//! | [`terrain`] | a raster of heights | slope, ridges, creeks, saddles |
//! | [`network`] | lines | a noded [`network::Network`] with feet, distances, convergence |
//! | [`surface`] | sign | activity per km², per km of line, per km searched; hot areas |
//! | [`siting`] | network, activity, wind, keep-outs | ranked sites with a proven bound |
//! | [`season`] | two seasons | what changed, where, and whether it could be chance |
//! | [`round`] | stations, network | tour, schedule, kit |
//! | [`checks`] | the check log | activations, balance of capsules, what is due |
//! | [`verdict`] | siting, keep-outs and checks | what is to be done at a station, and why |
//! | [`audit`] | inputs, layers as written | every promise worked out anew |
//! | [`report`] | what the others gave | map, field sheet, notices |
//! | [`steps`] | a plan | one function a command: reads, computes, writes |
//!
//! Two ways in: [`steps`] does what the program does, from a plan to a folder of outputs. The
//! rooms above it are plain functions of data and settings for programs that have their own.
//!
//! # A surface from points in memory
//! ```
//! use stakeline::frame::{Frame, LonLat};
//! use stakeline::surface::{
//!     DensitySettings, EdgeRule, Extent, Kernel, WeightedPoint, choose_grid, density, hot_areas,
//! };
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! // Eleven scats on a track, read from a handheld.
//! let scats: Vec<LonLat> = (0..11)
//!     .map(|i| LonLat::new(148.200 + 0.001 * f64::from(i % 4), -35.400 - 0.0008 * f64::from(i)))
//!     .collect::<Result<_, _>>()?;
//!
//! // Metres are needed: the UTM zone of the place, or any projected system by its EPSG code.
//! let frame = Frame::utm_for(scats[0])?;
//! assert_eq!(frame.epsg(), 32755);
//! let points: Vec<WeightedPoint> = scats
//!     .iter()
//!     .map(|&at| Ok(WeightedPoint { at: frame.to_ground(at)?, weight: 1.0 }))
//!     .collect::<Result<_, stakeline::frame::FrameError>>()?;
//!
//! // The bandwidth is a standard deviation in metres, whatever the kernel.
//! let settings = DensitySettings {
//!     kernel: Kernel::Gaussian,
//!     bandwidth_m: 250.0,
//!     edge: EdgeRule::None,
//!     adaptive: false,
//! };
//! let extent = Extent::of(points.iter().map(|p| p.at)).ok_or("no point")?;
//! let grid = choose_grid(extent, settings.bandwidth_m, None)?;
//! let surface = density(&points, &grid, settings, None)?;
//!
//! // The integral is the number of scats, but for what lies beyond the grid's margin.
//! assert!((surface.integral - 11.0).abs() < 0.1);
//! let half = &hot_areas(&surface, &[50.0])?[0];
//! assert!(half.cells as f64 * grid.cell_area_m2() > 100_000.0);
//! # Ok(())
//! # }
//! ```
//! [`steps`] goes on from here with the sample property: network, sites, round, checks, seasons.
//!
//! # Features of the crate
//! None is on by default: the default build is pure Rust and needs no C library. `parquet` reads
//! GeoParquet (some forty packages more, one of them C); `gdal` reads any other vector or raster format
//! through the GDAL library of the system (`libgdal-dev`).
//!
//! # What may change
//! Versions follow Semantic Versioning. The contract is the commands, flags, file names and
//! property names, and the public items of this crate; what `cargo doc` does not show is none.
//! Before 1.0 a minor version may break the public items and the changelog says how; commands,
//! flags, file names and property names are only added to. Outputs are the same bytes for the same
//! input and settings within one version; a better method may move figures in a minor version. The
//! least Rust is 1.90, and a newer one is a minor version.

// Input must never reach a panic. Tests may.
#![cfg_attr(
    not(test),
    deny(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::todo,
        clippy::unimplemented,
        clippy::indexing_slicing
    )
)]

pub mod record;

pub mod frame;

pub mod plan;

pub mod files;

pub mod job;

pub mod statistics;

pub mod terrain;

pub mod network;

pub mod surface;

pub mod siting;

pub mod season;

pub mod round;

pub mod checks;

pub mod verdict;

pub mod audit;

pub mod report;

pub mod steps;

pub mod cli;
