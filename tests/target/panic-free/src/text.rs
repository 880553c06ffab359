//! What the core says about itself: `Display` of units, addresses and errors, and how it is shown.

use core::fmt::{self, Debug, Display, Write};
use core::hint::black_box;
use embedded_hal::spi::ErrorKind;
use hopwright_core::address::{Address, Target};
use hopwright_core::band::{HopsetError, LaneError, RasterError};
use hopwright_core::coding::reed_solomon::{CodeError, Uncorrectable};
use hopwright_core::front_end::{PartError, QualifyError, RadioError, TooSlow};
use hopwright_core::loader::{IoError, Refusal, StorageFault};
use hopwright_core::message::LoadError;
use hopwright_core::provision::manual::{EntryError, GroupError};
use hopwright_core::provision::{DecodeError, Fault, OpenError};
use hopwright_core::relay::RelayError;
use hopwright_core::seal::Forged;
use hopwright_core::sequence::StructureError;
use hopwright_core::shared::Full;
use hopwright_core::station::{ConfigError, Refused};
use hopwright_core::stream::ShareError;
use hopwright_core::timing::TimingError;
use hopwright_core::tree::{DirectoryFull, OrderError};
use hopwright_core::units::{Channel, Hertz, Lane, Micros, Slot};

/// A reader who cannot be known.
struct Reader;

impl Write for Reader {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        black_box(text);
        if black_box(false) { Err(fmt::Error) } else { Ok(()) }
    }
}

/// Says what is said to people. The type stands at every call: `covered.py` looks for it there.
fn say<T: Display>(text: &T) {
    let _ = write!(Reader, "{text}");
}

/// Shows what is shown to developers, in a line and in many.
pub(crate) fn show<T: Debug>(value: &T) {
    let _ = write!(Reader, "{value:?}");
    let _ = write!(Reader, "{value:#?}");
}

pub(crate) fn all(raster: Option<RasterError>) {
    say::<Hertz>(&Hertz::new(black_box(0)));
    say::<Micros>(&Micros::new(black_box(0)));
    say::<Slot>(&Slot::new(black_box(0)));
    say::<Channel>(&black_box(Channel::default()));
    say::<Lane>(&black_box(Lane::ZERO));
    say::<Address>(&Address::new(black_box(0)));
    say::<Target>(&black_box(Target::ALL));
    if let Some(error) = raster {
        say::<RasterError>(&error);
    }
    say::<LaneError>(&black_box(LaneError::Count(0)));
    say::<HopsetError>(&black_box(HopsetError::NotAllowed(Channel::default())));
    say::<StructureError>(&black_box(StructureError::Frame(0)));
    say::<TimingError>(&black_box(TimingError::Guard));
    say::<ConfigError>(&black_box(ConfigError::Announce(0)));
    say::<Refused>(&black_box(Refused::Busy));
    say::<CodeError>(&black_box(CodeError::Data { k: 0, n: 0 }));
    say::<Uncorrectable>(&black_box(Uncorrectable));
    say::<LoadError>(&black_box(LoadError::TooLong { limit: 0 }));
    say::<Forged>(&black_box(Forged));
    say::<OrderError>(&black_box(OrderError::Generation));
    say::<DirectoryFull>(&black_box(DirectoryFull));
    say::<Fault>(&black_box(Fault::Damaged));
    say::<DecodeError>(&black_box(DecodeError { at: 0, fault: Fault::Damaged }));
    say::<OpenError>(&black_box(OpenError::Forged));
    say::<GroupError>(&black_box(GroupError::Check));
    say::<EntryError>(&black_box(EntryError::Check));
    say::<Refusal>(&black_box(Refusal::Content));
    say::<StorageFault>(&black_box(StorageFault));
    say::<RelayError>(&black_box(RelayError::NoRelays));
    say::<ShareError>(&black_box(ShareError::TooSlow));
    say::<PartError>(&black_box(PartError::Length(0)));
    say::<TooSlow>(&black_box(any_lead()));
    say::<QualifyError<Failure>>(&black_box(QualifyError::TooSlow(any_lead())));
    say::<RadioError<ErrorKind, ErrorKind, ErrorKind>>(&black_box(RadioError::NotReady));
    say::<Full>(&black_box(Full));
    show::<IoError<ErrorKind>>(&black_box(IoError::Closed));
}

/// What fails when a radio does.
type Failure = RadioError<ErrorKind, ErrorKind, ErrorKind>;

fn any_lead() -> TooSlow {
    TooSlow::Lead { lead: Micros::ZERO, settle: Micros::ZERO }
}
