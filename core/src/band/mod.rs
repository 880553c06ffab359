//! Where the net may transmit: the raster, what is excluded from it, the hopset that is drawn
//! from the rest, and the lanes that let several nets share it (specification section 2).
//!
//! ```text
//! Raster ──ranges──► ChannelSet ──exclusions──► allowed ──lanes──► the lane's ──pick──► Hopset
//! ```
//!
//! An excluded channel is not skipped when its turn comes: it is not in the [`Hopset`], and a
//! station knows no other channels. Nothing that is heard or commanded can bring it back.

mod hopset;
mod lanes;
mod raster;
mod set;

pub(crate) use hopset::stratum;
pub use hopset::{Hopset, HopsetError, MIN_HOPSET, Pick};
pub use lanes::{LaneError, LaneKind, Lanes, MAX_GROUP};
pub use raster::{Exclusion, Raster, RasterError};
pub use set::ChannelSet;
