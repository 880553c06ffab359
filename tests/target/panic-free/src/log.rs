//! What the core hands to a log: `defmt::Format`.

use core::hint::black_box;
use defmt::{Format, Logger};
use hopwright_core::{
    address, band, clock, coding, front_end, header, keys, loader, message, provision, relay, seal,
    sequence, shared, station, stream, timing, tree, units,
};

/// A log that nobody reads.
#[defmt::global_logger]
struct Nobody;

#[expect(unsafe_code, reason = "the crate asks for a promise")]
// SAFETY: the image is never run.
unsafe impl Logger for Nobody {
    fn acquire() {
        black_box(());
    }

    unsafe fn flush() {
        black_box(());
    }

    unsafe fn release() {
        black_box(());
    }

    unsafe fn write(bytes: &[u8]) {
        black_box(bytes);
    }
}

defmt::timestamp!("{=u64}", black_box(0));

/// Logs a value of which nothing is known. The type stands at every call: `covered.py` looks for it there.
fn log<T: Format>() {
    if let Some(value) = black_box(None::<T>) {
        defmt::println!("{}", value);
    }
}

pub(crate) fn all() {
    log::<address::Address>();
    log::<address::Target>();
    log::<band::HopsetError>();
    log::<band::Hopset<128>>();
    log::<band::LaneKind>();
    log::<band::LaneError>();
    log::<band::Lanes>();
    log::<band::Raster>();
    log::<band::RasterError>();
    log::<band::Exclusion>();
    log::<band::ChannelSet>();
    log::<clock::ClockPlan>();
    log::<clock::Grip>();
    log::<coding::golay::Decoded>();
    log::<coding::interleave::Decoded>();
    log::<coding::reed_solomon::Link>();
    log::<coding::reed_solomon::Positions>();
    log::<coding::reed_solomon::CodeError>();
    log::<coding::reed_solomon::Restored>();
    log::<coding::reed_solomon::Uncorrectable>();
    log::<coding::reed_solomon::ReedSolomon>();
    log::<front_end::Awaited>();
    log::<front_end::Progress>();
    log::<front_end::Captured>();
    log::<front_end::Delays>();
    log::<front_end::TooSlow>();
    log::<front_end::Step>();
    log::<front_end::QualifyError<loader::StorageFault>>();
    log::<front_end::Tally>();
    log::<front_end::Part>();
    log::<front_end::Registers>();
    log::<front_end::Modes>();
    log::<front_end::Status>();
    log::<front_end::PartError>();
    log::<front_end::SharedStep>();
    log::<front_end::NoPin>();
    log::<front_end::RadioError<loader::StorageFault, loader::StorageFault, loader::StorageFault>>(
    );
    log::<header::Kind>();
    log::<header::Quality>();
    log::<header::Header>();
    log::<keys::Label>();
    log::<keys::NetKey>();
    log::<keys::Subkey>();
    log::<keys::Words>();
    log::<loader::Offer>();
    log::<loader::Refusal>();
    log::<loader::Outcome>();
    log::<loader::CarrierEnd<'_>>();
    log::<loader::FrameReader>();
    log::<loader::Garbled>();
    log::<loader::Verdict>();
    log::<loader::Bank>();
    log::<loader::StorageFault>();
    log::<loader::Active>();
    log::<message::Origin>();
    log::<message::Layout>();
    log::<message::Shape>();
    log::<message::Taken>();
    log::<message::LoadError>();
    log::<provision::PlanDigest>();
    log::<provision::MessageCode>();
    log::<provision::Method>();
    log::<provision::Header>();
    log::<provision::DecodeError>();
    log::<provision::Fault>();
    log::<provision::manual::Rank>();
    log::<provision::manual::GroupError>();
    log::<provision::manual::EntryError>();
    log::<provision::manual::Reader>();
    log::<provision::TransferKey>();
    log::<provision::OpenError>();
    log::<relay::Tag>();
    log::<relay::Side>();
    log::<relay::RelayError>();
    log::<relay::NotRelayed>();
    log::<relay::Wish>();
    log::<seal::Forged>();
    log::<sequence::Draw>();
    log::<sequence::Structure>();
    log::<sequence::StructureError>();
    log::<sequence::Timeline>();
    log::<sequence::SlotKind>();
    log::<sequence::Hop>();
    log::<shared::Serial>();
    log::<shared::Prepared<u32>>();
    log::<shared::Entered>();
    log::<shared::Turn<u32>>();
    log::<shared::HopTally>();
    log::<shared::Ticket>();
    log::<shared::Full>();
    log::<station::Command>();
    log::<station::Refused>();
    log::<station::Role>();
    log::<station::Watermark>();
    log::<station::Mode>();
    log::<station::FixedChannels>();
    log::<station::ConfigError>();
    log::<station::Action>();
    log::<station::Radio>();
    log::<station::Payload>();
    log::<station::Heard>();
    log::<station::Dropped>();
    log::<station::Event>();
    log::<station::Counters>();
    log::<stream::Share>();
    log::<stream::ShareError>();
    log::<stream::Mark<'_>>();
    log::<stream::Played<'_>>();
    log::<stream::Ignored>();
    log::<timing::Timing>();
    log::<timing::TimingError>();
    log::<tree::Node>();
    log::<tree::Rekey>();
    log::<tree::OrderError>();
    log::<tree::Secret>();
    log::<tree::DirectoryFull>();
    log::<tree::Share>();
    log::<units::Hertz>();
    log::<units::Micros>();
    log::<units::Tick>();
    log::<units::Slot>();
    log::<units::Channel>();
    log::<units::Lane>();
    log::<units::Ppb>();
    log::<units::Dbm>();
}
