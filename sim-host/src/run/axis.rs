//! A time axis that leaves long silences out.

/// A silence longer than this is left out of a picture, in microseconds.
const LONG_US: u64 = 60_000_000;
/// What is shown of it at either end.
const MARGIN_US: u64 = 2_000_000;

/// A stretch of time that is shown, or a silence that is not.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stretch {
    /// True times in microseconds.
    pub(crate) from_us: u64,
    pub(crate) to_us: u64,
    /// Where it lies on the axis, in shown seconds.
    pub(crate) at: (f64, f64),
    /// Whether it is left out, and only marked.
    pub(crate) silent: bool,
}

/// The axis of a run.
#[derive(Debug, PartialEq)]
pub(crate) struct Axis {
    pub(crate) stretches: Vec<Stretch>,
}

impl Axis {
    /// An axis from 0 to `end_us` for things that happen at these times, ascending.
    pub(crate) fn new(times: impl Iterator<Item = u64>, end_us: u64) -> Self {
        let mut shown: Vec<(u64, u64)> = Vec::new();
        let mut from = 0;
        let mut last = 0;
        for at in times.chain([end_us]) {
            if at.saturating_sub(last) > LONG_US {
                shown.push((from, last + MARGIN_US));
                from = at - MARGIN_US;
            }
            last = at;
        }
        shown.push((from, end_us));
        let active: u64 = shown.iter().map(|(from, to)| to - from).sum();
        // A silence takes a fiftieth of the picture, however long it was.
        let mark = active as f64 / 50e6;
        let mut stretches: Vec<Stretch> = Vec::new();
        let mut place = 0.0;
        for (from_us, to_us) in shown {
            if let Some(before) = stretches.last().map(|before| before.to_us) {
                let at = (place, place + mark);
                stretches.push(Stretch { from_us: before, to_us: from_us, at, silent: true });
                place += mark;
            }
            let at = (place, place + (to_us - from_us) as f64 / 1e6);
            stretches.push(Stretch { from_us, to_us, at, silent: false });
            place = at.1;
        }
        Self { stretches }
    }

    /// The end of the axis.
    pub(crate) fn end(&self) -> f64 {
        self.stretches.last().map_or(0.0, |last| last.at.1)
    }

    /// Where a true time lies.
    pub(crate) fn place(&self, us: u64) -> f64 {
        let inside = |s: &&Stretch| us <= s.to_us;
        let Some(stretch) = self.stretches.iter().find(inside) else { return self.end() };
        let share = us.saturating_sub(stretch.from_us) as f64
            / (stretch.to_us - stretch.from_us).max(1) as f64;
        stretch.at.0 + share * (stretch.at.1 - stretch.at.0)
    }

    /// What stands at a place of the axis: the true time in seconds, or nothing within a silence.
    pub(crate) fn label(&self, place: f64) -> String {
        let inside = |s: &&Stretch| place <= s.at.1;
        match self.stretches.iter().find(inside) {
            Some(stretch) if !stretch.silent => {
                let seconds = stretch.from_us as f64 / 1e6 + (place - stretch.at.0);
                format!("{seconds:.0}")
            }
            Some(_) | None => String::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_a_silence_time_is_time() {
        let axis = Axis::new([1_000_000, 30_000_000].into_iter(), 60_000_000);
        assert_eq!((axis.end(), axis.place(30_000_000)), (60.0, 30.0));
        assert_eq!(axis.label(30.0), "30");
    }

    #[test]
    fn a_long_silence_takes_a_fiftieth() {
        let hour = 3_600_000_000;
        let times = [1_000_000, 50_000_000, hour, hour + 20_000_000];
        let axis = Axis::new(times.into_iter(), hour + 30_000_000);
        // 52 s and 32 s are shown, and the silence between takes 84 / 50.
        assert!((axis.end() - (84.0 + 1.68)).abs() < 1e-9, "{}", axis.end());
        assert!((axis.place(hour) - (52.0 + 1.68 + 2.0)).abs() < 1e-9);
        assert_eq!(axis.label(axis.place(hour)), "3600");
        assert_eq!(axis.label(52.5), "");
    }
}
