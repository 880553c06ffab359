//! A station's clock: true time, seen through an oscillator that is a little off.

use hopwright_core::units::Tick;

/// An oscillator with a constant frequency offset.
///
/// `local(t) = epoch + t + floor(t * ppb / 10^9)`, in integer microseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Oscillator {
    epoch_us: u64,
    ppb: i64,
}

impl Oscillator {
    /// An oscillator that shows `epoch_us` at true time 0 and is fast by `ppb` parts in 10^9,
    /// -500 000 to 500 000.
    #[must_use]
    pub fn new(epoch_us: u64, ppb: i64) -> Self {
        Self { epoch_us, ppb: ppb.clamp(-500_000, 500_000) }
    }

    /// The frequency offset in parts in 10^9.
    #[must_use]
    pub const fn ppb(&self) -> i64 {
        self.ppb
    }

    /// What the clock shows at true time `us`.
    #[must_use]
    pub fn local(&self, us: u64) -> Tick {
        let (whole, rest) = (us / 1_000_000_000, us % 1_000_000_000);
        let drift = whole.cast_signed() * self.ppb
            + (rest.cast_signed() * self.ppb).div_euclid(1_000_000_000);
        Tick::new((self.epoch_us + us).saturating_add_signed(drift))
    }

    /// The first true time at which the clock shows `tick` or more.
    #[must_use]
    pub fn true_us(&self, tick: Tick) -> u64 {
        let mut us = tick.us().saturating_sub(self.epoch_us);
        // Each step leaves an error that is smaller by the offset: two serve an hour at 1 ppm.
        loop {
            let error = tick.us().cast_signed() - self.local(us).us().cast_signed();
            if error.abs() <= 1 {
                break;
            }
            us = us.saturating_add_signed(error);
        }
        while self.local(us) < tick {
            us += 1;
        }
        while us > 0 && self.local(us - 1) >= tick {
            us -= 1;
        }
        us
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Time error = offset * time (elementary).
    #[test]
    fn drift_is_offset_times_time() {
        let hour = 3_600_000_000;
        assert_eq!(Oscillator::new(0, 1_000).local(4 * hour), Tick::new(4 * hour + 14_400));
        assert_eq!(Oscillator::new(0, -20_000).local(24 * hour), Tick::new(24 * hour - 1_728_000));
    }

    #[test]
    fn both_directions_agree() {
        for ppb in [-500_000, -1_000, -1, 0, 1, 999, 500_000] {
            let oscillator = Oscillator::new(123_456_789, ppb);
            for us in (0..7 * 86_400_000_000_u64).step_by(9_876_543_211) {
                let tick = oscillator.local(us);
                let back = oscillator.true_us(tick);
                assert_eq!(oscillator.local(back), tick, "{ppb} {us}");
                assert!(back <= us && us - back <= 1, "{ppb} {us} {back}");
                let next = oscillator.true_us(Tick::new(tick.us() + 1));
                assert!(oscillator.local(next) > tick && oscillator.local(next - 1) <= tick);
            }
        }
    }
}
