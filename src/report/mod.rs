//! Paper and screens: the map, the field sheet, the season report, notices, figures.
//!
//! Every part is a pure function from a [`Material`] to text. Text that came from an input
//! is escaped where it enters a page, and pages carry a content-security policy that lets
//! nothing in or out.

#![expect(
    clippy::indexing_slicing,
    reason = "indices come with the lists that they were counted over, from the room that made both"
)]

mod along;
mod candidates;
mod field_sheet;
mod figure;
mod label;
mod map;
mod material;
mod notice;
mod page;
mod patch;
mod picture;
mod qr;
mod rose;
mod season;
mod start;

pub use candidates::Candidates;
pub use field_sheet::field_sheet;
pub use figure::{figures, overview_svg};
pub use map::map_page;
pub use material::{Feature, Layers, Material, Shown};
pub use notice::{
    NOTICE_COLUMNS, Notice, NoticeKind, Parcel, Peg, entrances, notice_row, parcel_notices, parcel_shape,
};
pub use page::PageError;
pub use patch::Patch;
pub use picture::{BANDS, Field, Picture, Ramp};
pub use qr::{geo_uri, qr_svg};
pub use rose::rose_svg;
pub use season::season_report;
pub use start::{Starts, compass};
