//! Allan's and Hadamard's deviations from phase data (NIST SP 1065, sections 5.2.2 to 5.2.10).

/// A measure of how unstable a clock is over a span `tau = m * tau0`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Statistic {
    /// Allan deviation, spans end to end.
    Adev,
    /// Allan deviation, overlapping spans.
    Oadev,
    /// Modified Allan deviation.
    Mdev,
    /// Time deviation, in seconds: `tau / sqrt(3)` of the modified Allan deviation.
    Tdev,
    /// Hadamard deviation, spans end to end.
    Hdev,
    /// Hadamard deviation, overlapping spans.
    Ohdev,
}

impl Statistic {
    /// The usual abbreviation.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Adev => "ADEV",
            Self::Oadev => "OADEV",
            Self::Mdev => "MDEV",
            Self::Tdev => "TDEV",
            Self::Hdev => "HDEV",
            Self::Ohdev => "OHDEV",
        }
    }

    /// The statistic of `phase`, in seconds at every `tau0` seconds, over `m` samples; `None` if
    /// there are too few of them.
    #[must_use]
    pub fn of(self, phase: &[f64], tau0: f64, m: usize) -> Option<f64> {
        if m == 0 {
            return None;
        }
        let tau = tau0 * m as f64;
        let allan = 2.0 * tau * tau;
        let hadamard = 6.0 * tau * tau;
        match self {
            Self::Adev => root_mean(seconds(phase, m).step_by(m), allan),
            Self::Oadev => root_mean(seconds(phase, m), allan),
            Self::Mdev => {
                let all: Vec<f64> = seconds(phase, m).collect();
                let means = all.windows(m).map(|window| window.iter().sum::<f64>() / m as f64);
                root_mean(means, allan)
            }
            Self::Tdev => Some(Self::Mdev.of(phase, tau0, m)? * tau / libm::sqrt(3.0)),
            Self::Hdev => root_mean(thirds(phase, m).step_by(m), hadamard),
            Self::Ohdev => root_mean(thirds(phase, m), hadamard),
        }
    }
}

/// Phase in seconds from mean frequency over each `tau0` seconds.
#[must_use]
pub fn phases(frequency: &[f64], tau0: f64) -> Vec<f64> {
    let mut phase = vec![0.0];
    let mut sum = 0.0;
    for y in frequency {
        sum += y * tau0;
        phase.push(sum);
    }
    phase
}

/// Second differences at stride `m`.
fn seconds(phase: &[f64], m: usize) -> impl Iterator<Item = f64> {
    phase.windows(2 * m + 1).map(move |w| w[2 * m] - 2.0 * w[m] + w[0])
}

/// Third differences at stride `m`.
fn thirds(phase: &[f64], m: usize) -> impl Iterator<Item = f64> {
    phase.windows(3 * m + 1).map(move |w| w[3 * m] - 3.0 * (w[2 * m] - w[m]) - w[0])
}

fn root_mean(values: impl Iterator<Item = f64>, divisor: f64) -> Option<f64> {
    let (sum, count) = values.fold((0.0, 0_u32), |(sum, n), v| (sum + v * v, n + 1));
    (count > 0).then(|| libm::sqrt(sum / (divisor * f64::from(count))))
}
