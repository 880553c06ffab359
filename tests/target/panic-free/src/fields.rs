//! Units, addresses, slot timing: small values and their arithmetic.

use core::hint::black_box;
use hopwright_core::address::{Address, Target};
use hopwright_core::timing::Timing;
use hopwright_core::units::{Channel, Dbm, Hertz, Lane, Micros, Ppb, Slot, Tick};

pub(crate) fn all() {
    units();
    address();
    if let Ok(timing) = any_timing() {
        timing_of(&timing);
    }
}

pub(crate) fn any_timing() -> Result<Timing, hopwright_core::timing::TimingError> {
    Timing::new(black_box(0), black_box(0), black_box(0), black_box(0))
}

fn units() {
    let number = || black_box(0_u64);
    black_box(Hertz::new(number()).hz());
    let span = Micros::plus(Micros::new(number()), Micros::from_millis(number())).times(number());
    black_box(Micros::us(span));
    let tick = Tick::plus(Tick::new(number()), span).minus(Micros::new(number()));
    black_box((Tick::us(tick), tick.since(Tick::new(number()))));
    let slot = Slot::plus(Slot::new(black_box(0)), black_box(0));
    black_box((Slot::number(slot), slot.after(Slot::new(black_box(0)))));
    black_box(Channel::new(black_box(0)).map(|c| (Channel::number(c), c.index())));
    black_box(Lane::new(black_box(0)).map(Lane::number));
    black_box(Ppb::new(black_box(0)).map(|ppb| (ppb.ppb(), Ppb::of(ppb, span))));
    black_box(Dbm::new(black_box(0)).dbm());
}

fn address() {
    let address = || Address::new(black_box(0));
    let covers =
        |target: Target| black_box((Target::covers(&target, address()), Target::address(&target)));
    black_box(Address::number(address()));
    covers(Target::one(address()));
    covers(Target::all_but(address()));
    black_box(Target::prefix(address(), black_box(0)).map(covers));
}

fn timing_of(timing: &Timing) {
    black_box((Timing::slot(timing), timing.settle(), timing.guard(), timing.link_bps()));
    black_box((Timing::bits(timing), Timing::bytes(timing)));
    black_box((timing.payload_bytes(), timing.word_offset()));
    black_box(timing.air_time(black_box(0)));
    black_box(Timing::start_of(timing, Slot::new(black_box(0))));
    black_box(Timing::slot_at(timing, black_box(0)));
}
