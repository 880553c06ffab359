//! A station's clock: true time, seen through an oscillator that is a little off.

mod course;
mod reach;

pub use course::{Behaviour, Course, SEGMENT_US};
pub use reach::Reach;

use hopwright_core::units::Tick;

/// An oscillator: a constant frequency offset, or a [`Course`].
///
/// With a constant offset `local(t) = epoch + t + floor(t * ppb / 10^9)`, in integer microseconds.
/// Either way the clock never runs backwards.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Oscillator {
    epoch_us: u64,
    ppb: i64,
    /// `None` for a constant offset, which needs no table.
    course: Option<Box<Course>>,
}

impl Oscillator {
    /// An oscillator that shows `epoch_us` at true time 0 and is fast by `ppb` parts in 10^9,
    /// -500 000 to 500 000.
    #[must_use]
    pub fn new(epoch_us: u64, ppb: i64) -> Self {
        Self { epoch_us, ppb: ppb.clamp(-500_000, 500_000), course: None }
    }

    /// An oscillator that shows `epoch_us` at true time 0 and behaves so; `seed` decides its noise.
    #[must_use]
    pub fn following(epoch_us: u64, behaviour: &Behaviour, seed: u64) -> Self {
        let course = Some(Box::new(Course::new(behaviour, seed)));
        #[expect(clippy::cast_possible_truncation, reason = "a cast from a float saturates")]
        let ppb = libm::round(behaviour.offset_ppb) as i64;
        Self { epoch_us, ppb, course }
    }

    /// The constant part of the frequency offset in parts in 10^9.
    #[must_use]
    pub const fn ppb(&self) -> i64 {
        self.ppb
    }

    /// The course, if the offset is not constant.
    #[must_use]
    pub fn course(&self) -> Option<&Course> {
        self.course.as_deref()
    }

    /// What the clock shows at true time `us`.
    #[must_use]
    pub fn local(&self, us: u64) -> Tick {
        if let Some(course) = &self.course {
            return Tick::new(self.epoch_us.saturating_add(course.shown_us(us)));
        }
        let (whole, rest) = (us / 1_000_000_000, us % 1_000_000_000);
        let drift = whole.cast_signed() * self.ppb
            + (rest.cast_signed() * self.ppb).div_euclid(1_000_000_000);
        Tick::new((self.epoch_us + us).saturating_add_signed(drift))
    }

    /// The first true time at which the clock shows `tick` or more.
    #[must_use]
    pub fn true_us(&self, tick: Tick) -> u64 {
        if let Some(course) = &self.course {
            return course.first_showing(tick.us().saturating_sub(self.epoch_us));
        }
        let mut us = tick.us().saturating_sub(self.epoch_us);
        if us == 0 {
            return 0;
        }
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

    /// How far the oscillator goes from true time 0 to `until_us`, against a promise of
    /// `tolerance_ppb`.
    #[must_use]
    pub fn reach(&self, tolerance_ppb: u32, until_us: u64) -> Reach {
        match &self.course {
            Some(course) => Reach::of_course(course, tolerance_ppb, until_us),
            None => Reach::of_offset(self.ppb, tolerance_ppb, until_us),
        }
    }
}

#[cfg(test)]
mod tests;
