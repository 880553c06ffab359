//! Formulas of the labs: numbers, `+ - * / ^`, parentheses, functions of numbers, and functions that
//! give an interval.

use statrs::distribution::{
    Binomial, ChiSquared, ContinuousCDF, Discrete, DiscreteCDF, Hypergeometric, Normal,
};

/// The ends of an interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Band {
    pub(crate) low: f64,
    pub(crate) high: f64,
}

/// The value of a formula.
///
/// # Errors
/// What is wrong with it.
pub(crate) fn number(text: &str) -> Result<f64, String> {
    let mut reader = Reader { left: text.trim() };
    let value = reader.sum()?;
    if reader.left.is_empty() { Ok(value) } else { Err(format!("`{}` is too much", reader.left)) }
}

/// An interval: `LOW .. HIGH`, or a function that gives one.
///
/// * `around(x, d)`: `x - d` to `x + d`.
/// * `chi2(df, level)`: between the quantiles of the chi-square distribution.
/// * `binomial(n, p, level)`, `share(n, p, level)`: the same of the binomial distribution, as counts
///   or as shares of `n`.
/// * `mean(m, sd, n, level)`: of the mean of `n` outcomes, by the normal distribution.
/// * `white_fm(s, n, m, level)`: of the overlapping Allan deviation at `m` samples out of `n`
///   frequencies of standard deviation `s`.
///
/// # Errors
/// What is wrong with it.
pub(crate) fn band(text: &str) -> Result<Band, String> {
    if let Some((low, high)) = text.split_once("..") {
        return Ok(Band { low: number(low)?, high: number(high)? });
    }
    let mut reader = Reader { left: text.trim() };
    let name = reader.name();
    let arguments = reader.arguments()?;
    if !reader.left.is_empty() {
        return Err(format!("`{}` is too much", reader.left));
    }
    match (name, &*arguments) {
        ("around", &[x, d]) => Ok(Band { low: x - d, high: x + d }),
        ("chi2", &[df, level]) => chi_square(df, level),
        ("binomial", &[n, p, level]) => binomial(n, p, level),
        ("share", &[n, p, level]) => {
            let Band { low, high } = binomial(n, p, level)?;
            Ok(Band { low: low / n, high: high / n })
        }
        ("mean", &[m, sd, n, level]) => {
            let play = Normal::standard().inverse_cdf(1.0 - tail(level)) * sd / n.sqrt();
            Ok(Band { low: m - play, high: m + play })
        }
        ("white_fm", &[s, n, m, level]) => {
            // Equivalent degrees of freedom of the overlapping estimator for white FM: NIST SP
            // 1065, section 5.4 (citation from memory).
            let squared = 4.0 * m * m;
            let points = n + 1.0;
            let edf = (1.5 * (points - 1.0) / m - 2.0 * (points - 2.0) / points) * squared
                / (squared + 5.0);
            let Band { low, high } = chi_square(edf, level)?;
            let at = |chi: f64| s / m.sqrt() * (chi / edf).sqrt();
            Ok(Band { low: at(low), high: at(high) })
        }
        _ => Err(format!("`{name}` with {} arguments gives no interval", arguments.len())),
    }
}

fn tail(level: f64) -> f64 {
    (1.0 - level) / 2.0
}

fn chi_square(df: f64, level: f64) -> Result<Band, String> {
    let chi = ChiSquared::new(df).map_err(|e| e.to_string())?;
    Ok(Band { low: chi.inverse_cdf(tail(level)), high: chi.inverse_cdf(1.0 - tail(level)) })
}

/// Counts such that each tail beyond them has at most half of `1 - level`.
fn binomial(n: f64, p: f64, level: f64) -> Result<Band, String> {
    let law = Binomial::new(p, whole(n)?).map_err(|e| e.to_string())?;
    let at = |share| law.inverse_cdf(share) as f64;
    Ok(Band { low: at(tail(level)), high: at(1.0 - tail(level)) })
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "whole, not negative and not large: looked at just before"
)]
fn whole(x: f64) -> Result<u64, String> {
    if (0.0..1e15).contains(&x) && x.fract() == 0.0 {
        Ok(x as u64)
    } else {
        Err(format!("{x} is no count"))
    }
}

/// The chance that more than `spare` of `n` independent slots are hit.
fn binomial_tail(n: f64, p: f64, spare: f64) -> Result<f64, String> {
    let law = Binomial::new(p, whole(n)?).map_err(|e| e.to_string())?;
    Ok(law.sf(whole(spare)?))
}

/// The chance that more than `spare` of `n` slots of a balanced draw are hit, `jammed` of `channels`
/// being so. A block that begins at any place of a cycle takes what is left of it and the rest from
/// the next: two samples without replacement (`n` no larger than `channels`).
fn balanced_tail(n: f64, spare: f64, jammed: f64, channels: f64) -> Result<f64, String> {
    let (n, spare) = (whole(n)?, whole(spare)?);
    let (jammed, channels) = (whole(jammed)?, whole(channels)?);
    if n > channels {
        return Err("a block longer than a cycle".to_owned());
    }
    let chances = |taken: u64| -> Result<Vec<f64>, String> {
        let law = Hypergeometric::new(channels, jammed, taken).map_err(|e| e.to_string())?;
        Ok((0..=taken).map(|hit| law.pmf(hit)).collect())
    };
    let mut sum = 0.0;
    for start in 0..channels {
        let first = n.min(channels - start);
        let (one, other) = (chances(first)?, chances(n - first)?);
        for (i, p) in (0..).zip(&one) {
            sum +=
                (0..).zip(&other).filter(|(j, _)| i + j > spare).map(|(_, q)| p * q).sum::<f64>();
        }
    }
    Ok(sum / channels as f64)
}

/// What is left of a formula.
struct Reader<'a> {
    left: &'a str,
}

impl<'a> Reader<'a> {
    fn take(&mut self, sign: char) -> bool {
        let rest = self.left.strip_prefix(sign);
        self.left = rest.unwrap_or(self.left).trim_start();
        rest.is_some()
    }

    fn until(&mut self, end: impl Fn(char) -> bool) -> &'a str {
        let at = self.left.find(end).unwrap_or(self.left.len());
        let (taken, rest) = self.left.split_at(at);
        self.left = rest.trim_start();
        taken
    }

    fn name(&mut self) -> &'a str {
        self.until(|c| !(c.is_ascii_alphanumeric() || c == '_'))
    }

    fn sum(&mut self) -> Result<f64, String> {
        let mut value = self.product()?;
        loop {
            if self.take('+') {
                value += self.product()?;
            } else if self.take('-') {
                value -= self.product()?;
            } else {
                return Ok(value);
            }
        }
    }

    fn product(&mut self) -> Result<f64, String> {
        let mut value = self.power()?;
        loop {
            if self.take('*') {
                value *= self.power()?;
            } else if self.take('/') {
                value /= self.power()?;
            } else {
                return Ok(value);
            }
        }
    }

    fn power(&mut self) -> Result<f64, String> {
        let base = self.atom()?;
        if self.take('^') { Ok(base.powf(self.power()?)) } else { Ok(base) }
    }

    fn atom(&mut self) -> Result<f64, String> {
        if self.take('-') {
            return self.power().map(|value| -value);
        }
        if self.take('(') {
            let value = self.sum()?;
            return if self.take(')') { Ok(value) } else { Err("`)` is missing".to_owned()) };
        }
        if self.left.starts_with(|c: char| c.is_ascii_digit()) {
            let (token, rest) = first_number(self.left).ok_or("no number")?;
            self.left = rest.trim_start();
            return token.parse().map_err(|e| format!("`{token}`: {e}"));
        }
        let name = self.name();
        let arguments = self.arguments()?;
        function(name, &arguments)
    }

    fn arguments(&mut self) -> Result<Vec<f64>, String> {
        if !self.take('(') {
            return Err(format!("`(` or a number is missing before `{}`", self.left));
        }
        let mut arguments = vec![self.sum()?];
        while self.take(',') {
            arguments.push(self.sum()?);
        }
        if self.take(')') { Ok(arguments) } else { Err("`)` is missing".to_owned()) }
    }
}

fn function(name: &str, arguments: &[f64]) -> Result<f64, String> {
    match (name, arguments) {
        ("sqrt", &[x]) => Ok(x.sqrt()),
        ("exp", &[x]) => Ok(x.exp()),
        ("log2", &[x]) => Ok(x.log2()),
        ("ceil", &[x]) => Ok(x.ceil()),
        ("floor", &[x]) => Ok(x.floor()),
        ("binomial_tail", &[n, p, spare]) => binomial_tail(n, p, spare),
        ("balanced_tail", &[n, spare, jammed, channels]) => {
            balanced_tail(n, spare, jammed, channels)
        }
        _ => Err(format!("there is no function `{name}` of {} numbers", arguments.len())),
    }
}

/// The first number in a text, as it stands there, and what follows it.
pub(crate) fn first_number(text: &str) -> Option<(&str, &str)> {
    let digit = text.find(|c: char| c.is_ascii_digit())?;
    let start = digit - usize::from(text[..digit].ends_with('-'));
    let digits = |from: usize| {
        let run = text[from..].find(|c: char| !c.is_ascii_digit());
        from + run.unwrap_or(text.len() - from)
    };
    let mut end = digits(digit);
    if text[end..].starts_with('.') && digits(end + 1) > end + 1 {
        end = digits(end + 1);
    }
    if text[end..].starts_with(['e', 'E']) {
        let signed = end + 1 + usize::from(text[end + 1..].starts_with(['-', '+']));
        if digits(signed) > signed {
            end = digits(signed);
        }
    }
    Some((&text[start..end], &text[end..]))
}

#[test]
fn formulas_have_their_values() {
    for (text, value) in [
        ("1 + 2 * 3 ^ 2 - -4", 23.0),
        ("(1 + 2) * 3 / 2", 4.5),
        ("2 ^ 3 ^ 2", 512.0),
        ("1 - (1 - 1/256)^300", 1.0 - 0.309_075_5),
        ("log2(256 / 4) + ceil(0.1) + floor(1.9) + sqrt(4)", 10.0),
        // RS(31, 15), erasures, 0.3: the binomial tail, computed independently.
        ("binomial_tail(31, 0.3, 16)", 3.398_387e-3),
        // Exact rational arithmetic.
        ("balanced_tail(64, 40, 45, 112)", 1.037_082_229e-6),
    ] {
        let found = number(text).expect(text);
        assert!((found / value - 1.0).abs() < 1e-6, "{text}: {found}");
    }
    for text in ["", "1 +", "(1", "1)", "frob(1)", "sqrt 2", "binomial_tail(1.5, 0.1, 1)"] {
        assert!(number(text).is_err(), "{text}");
    }
}

/// The chi-square and binomial bands are those of published tables and of independent libraries.
#[test]
fn bands_have_their_ends() {
    for (text, low, high) in [
        ("chi2(127, 0.999)", 81.004, 186.067),
        ("chi2(49, 0.999)", 22.789, 88.231),
        ("binomial(10_000 / 1, 1/256, 0.999)", 20.0, 61.0),
        ("share(100000, 1/2320, 0.999)", 23e-5, 66e-5),
        ("mean(0, 10, 100, 0.999)", -3.2905, 3.2905),
        ("1 + 1 .. 2 * 2", 2.0, 4.0),
        ("around(5, 1)", 4.0, 6.0),
    ] {
        let found = band(&text.replace('_', "")).expect(text);
        let near = |a: f64, b: f64| (a - b).abs() < 1e-4 * b.abs();
        assert!(near(found.low, low) && near(found.high, high), "{text}: {found:?}");
    }
    for text in ["", "chi2(127)", "1 ..", "chi2(127, 0.999) x"] {
        assert!(band(text).is_err(), "{text}");
    }
}
