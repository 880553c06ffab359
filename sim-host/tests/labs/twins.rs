//! The labs' Python scripts a second time, in Rust: `cargo test` needs no Python to know what they
//! print, and where there is Python, the two must print the same.

use std::fmt::Write;
use std::fs;
use std::path::Path;

/// A slot of a hop list.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Hop {
    sync: bool,
    channel: u32,
}

/// What a script prints with these arguments.
///
/// # Errors
/// What is wrong with them.
pub(crate) fn output(args: &[String], dir: &Path) -> Result<String, String> {
    let args: Vec<&str> = args.iter().map(String::as_str).collect();
    match *args {
        ["channel_use.py", list, channels] => {
            Ok(channel_use(&traffic(&hops(dir, list)?), count(channels)?))
        }
        ["coincidences.py", a, b] => Ok(coincidences(&hops(dir, a)?, &hops(dir, b)?)),
        ["coincidences.py", a, b, shift] => {
            let shifted = hops(dir, b)?.split_off(count(shift)?);
            Ok(coincidences(&hops(dir, a)?, &shifted))
        }
        ["parked.py", list, channel, slots] => {
            let visits: Vec<bool> =
                traffic(&hops(dir, list)?).iter().map(|c| c.to_string() == channel).collect();
            Ok(parked(&visits, count(slots)?))
        }
        ["collisions.py", first, ref others @ ..] => {
            let others: Result<Vec<_>, _> = others.iter().map(|list| hops(dir, list)).collect();
            Ok(collisions(&hops(dir, first)?, &others?))
        }
        _ => Err(format!("there is no second implementation of {args:?}")),
    }
}

fn count(text: &str) -> Result<usize, String> {
    text.parse().map_err(|e| format!("`{text}`: {e}"))
}

fn hops(dir: &Path, list: &str) -> Result<Vec<Hop>, String> {
    let text = fs::read_to_string(dir.join(list)).map_err(|e| format!("{list}: {e}"))?;
    let row = |line: &str| {
        let mut cells = line.split(',').skip(1);
        let sync = cells.next()? == "sync";
        Some(Hop { sync, channel: cells.next()?.parse().ok()? })
    };
    text.lines().skip(1).map(|l| row(l).ok_or_else(|| format!("{list}: {l}"))).collect()
}

fn traffic(hops: &[Hop]) -> Vec<u32> {
    hops.iter().filter(|hop| !hop.sync).map(|hop| hop.channel).collect()
}

fn channel_use(hops: &[u32], channels: usize) -> String {
    let mut used = vec![0_u32; channels];
    for channel in hops {
        used[*channel as usize] += 1;
    }
    let expected = hops.len() as f64 / channels as f64;
    let apart: f64 = used.iter().map(|n| (f64::from(*n) - expected).powi(2)).sum();
    let repeats = hops.windows(2).filter(|pair| pair[0] == pair[1]).count();
    let (least, most) = (used.iter().min().copied(), used.iter().max().copied());
    format!(
        "traffic hops       {}\nleast used         {}\nmost used          {}\n\
         degrees of freedom {}\nchi-square         {:.4}\nrepeats            {repeats}\n",
        hops.len(),
        least.unwrap_or_default(),
        most.unwrap_or_default(),
        channels - 1,
        apart / expected,
    )
}

fn coincidences(a: &[Hop], b: &[Hop]) -> String {
    let pairs = || a.iter().zip(b);
    let mut text = String::new();
    let mut tell = |name: &str, compared: usize, met: usize| {
        writeln!(text, "{name}: {compared} compared, {met} coincidences").expect("a text");
    };
    tell("all slots", pairs().count(), pairs().filter(|(x, y)| x.channel == y.channel).count());
    for (name, sync) in [("both traffic", false), ("both sync", true)] {
        let both = || pairs().filter(|(x, y)| x.sync == sync && y.sync == sync);
        tell(name, both().count(), both().filter(|(x, y)| x == y).count());
    }
    text
}

fn parked(visits: &[bool], length: usize) -> String {
    let stretches = visits.chunks_exact(length);
    let all = stretches.len();
    let missed = stretches.filter(|stretch| !stretch.contains(&true)).count();
    format!(
        "stretches      {all}\nwithout visit  {missed}\nshare          {:.4}\n",
        missed as f64 / all as f64
    )
}

fn collisions(first: &[Hop], others: &[Vec<Hop>]) -> String {
    let (mut compared, mut aligned, mut overlapping) = (0, 0, 0);
    for (h, hop) in first.iter().enumerate().take(first.len().saturating_sub(1)) {
        let around = || others.iter().map(|other| &other[h..h + 2]);
        if hop.sync || around().flatten().any(|other| other.sync) {
            continue;
        }
        compared += 1;
        aligned += u32::from(around().any(|pair| pair[0] == *hop));
        overlapping += u32::from(around().any(|pair| pair.contains(hop)));
    }
    format!(
        "slots compared            {compared}\nhit, clocks in step       {aligned}\n\
         hit, half a slot apart    {overlapping}\n"
    )
}
