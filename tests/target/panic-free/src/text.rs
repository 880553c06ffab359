//! What the core says about itself: `Display` of units, addresses and errors.

use core::fmt::{self, Display, Write};
use core::hint::black_box;
use hopwright_core::address::{Address, Target};
use hopwright_core::band::{HopsetError, LaneError, RasterError};
use hopwright_core::loader::{Refusal, StorageFault};
use hopwright_core::provision::manual::{EntryError, GroupError};
use hopwright_core::provision::{DecodeError, Fault, OpenError};
use hopwright_core::relay::RelayError;
use hopwright_core::sequence::StructureError;
use hopwright_core::station::{ConfigError, Refused};
use hopwright_core::stream::ShareError;
use hopwright_core::timing::TimingError;
use hopwright_core::units::{Channel, Hertz, Lane, Micros, Slot};

/// A reader who cannot be known.
struct Reader;

impl Write for Reader {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        black_box(text);
        if black_box(false) { Err(fmt::Error) } else { Ok(()) }
    }
}

fn say(text: &impl Display) {
    let _ = write!(Reader, "{text}");
}

pub(crate) fn all(raster: Option<RasterError>) {
    say(&Hertz::new(black_box(0)));
    say(&Micros::new(black_box(0)));
    say(&Slot::new(black_box(0)));
    say(&black_box(Channel::default()));
    say(&black_box(Lane::ZERO));
    say(&Address::new(black_box(0)));
    say(&black_box(Target::ALL));
    if let Some(error) = raster {
        say(&error);
    }
    say(&black_box(LaneError::Count(0)));
    say(&black_box(HopsetError::NotAllowed(Channel::default())));
    say(&black_box(StructureError::Frame(0)));
    say(&black_box(TimingError::Guard));
    say(&black_box(ConfigError::Announce(0)));
    say(&black_box(Refused::Busy));
    say(&black_box(DecodeError { at: 0, fault: Fault::Damaged }));
    say(&black_box(OpenError::Forged));
    say(&black_box(GroupError::Check));
    say(&black_box(EntryError::Check));
    say(&black_box(Refusal::Content));
    say(&black_box(StorageFault));
    say(&black_box(RelayError::NoRelays));
    say(&black_box(ShareError::TooSlow));
}
