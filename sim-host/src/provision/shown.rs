//! What `inspect` shows: everything but keys.

use super::secret::{fingerprint_text, hex};
use hopwright_core::keys::NetKey;
use hopwright_core::provision::manual::Rank;
use hopwright_core::provision::{Configuration, Envelope, Method};
use hopwright_core::sequence::Draw;
use hopwright_core::station::{Role, Station, Watermark};
use serde::Serialize;
use std::io::{self, Write};

/// What an envelope says without its secret.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ShownEnvelope {
    /// The version of the envelope.
    pub version: u64,
    /// The station's address, two hexadecimal digits.
    pub address: String,
    /// What opens it.
    pub opens_with: String,
    /// The bytes that are sealed, their tag included.
    pub sealed_bytes: usize,
}

/// What there is to show of a share of the key tree: none of its secrets.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ShownShare {
    /// How many changes of the net key it has seen.
    pub generation: u8,
    /// The targets that the station may call without belonging to them.
    pub directory: Vec<String>,
    /// Its bytes.
    pub bytes: usize,
}

/// What a configuration says, keys as fingerprints.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Shown {
    /// The version of the configuration.
    pub version: u64,
    /// The station's address, two hexadecimal digits.
    pub address: String,
    /// What it may do.
    pub role: &'static str,
    /// After which silence a deputy may take over.
    pub deputy_after_us: Option<u64>,
    /// Its lane.
    pub lane: u8,
    /// The lane whose draw it follows.
    pub draw_lane: u8,
    /// The net's name.
    pub net: String,
    /// The plan's digest, 32 hexadecimal digits.
    pub plan_digest: String,
    /// The net key's fingerprint.
    pub key_fingerprint: String,
    /// The channels.
    pub channels: Vec<u16>,
    /// By how many ranks a spaced lane is turned.
    pub rotation: u16,
    /// Slots in a frame.
    pub frame: u8,
    /// Rendezvous channels.
    pub rendezvous: u8,
    /// Frames in a rendezvous window.
    pub window: u8,
    /// How traffic hops are drawn.
    pub draw: &'static str,
    /// Whether traffic keeps off the rendezvous channels.
    pub equal_use: bool,
    /// The length of a slot.
    pub slot_us: u64,
    /// Settling time.
    pub settle_us: u64,
    /// Guard time.
    pub guard_us: u64,
    /// Bit rate on the air.
    pub link_bps: u32,
    /// Clock tolerance.
    pub tolerance_ppb: u32,
    /// The station's own clock tolerance.
    pub own_tolerance_ppb: u32,
    /// How far a clock's rate may be from its average.
    pub steadiness_ppb: u32,
    /// How far a clock may step besides.
    pub wander_us: u64,
    /// Time stamp error.
    pub jitter_us: u64,
    /// Longest propagation delay.
    pub longest_delay_us: u64,
    /// Slots of an announce.
    pub announce_slots: u16,
    /// Energy threshold.
    pub energy_threshold_dbm: i16,
    /// The calling channel.
    pub calling: Option<u16>,
    /// The watch channel.
    pub watch: Option<u16>,
    /// The least time between two alerts of a kind.
    pub lockout_us: u64,
    /// The code that protects messages: symbols of a word, and those that carry the text.
    pub message_code: (u8, u8),
    /// The share of the key tree, if there is one.
    pub share: Option<ShownShare>,
    /// Why no station comes of it; nothing if one does.
    pub no_station: Option<String>,
}

/// What there is to show of an envelope.
#[must_use]
pub fn envelope_shown(envelope: &Envelope<'_>) -> ShownEnvelope {
    let opens_with = match envelope.header.method {
        Method::Passphrase { memory_kib, passes, lanes, .. } => {
            format!("a passphrase (Argon2id, {memory_kib} KiB, {passes} passes, {lanes} lanes)")
        }
        Method::TransferKey | _ => "a transfer key".to_owned(),
    };
    ShownEnvelope {
        version: hopwright_core::provision::ENVELOPE_VERSION,
        address: envelope.header.address.to_string(),
        opens_with,
        sealed_bytes: envelope.ciphertext.len(),
    }
}

/// What there is to show of a configuration.
#[must_use]
pub fn shown<const N: usize>(configuration: &Configuration<'_, N>) -> Shown {
    let structure = configuration.structure;
    let station = Station::new(configuration.config(Watermark::Lost, 0));
    let fingerprint = |key: &NetKey| fingerprint_text(key);
    Shown {
        version: hopwright_core::provision::VERSION,
        address: configuration.address.to_string(),
        role: rank_word(Rank::of(configuration.role)),
        deputy_after_us: match configuration.role {
            Role::Deputy { after } => Some(after.us()),
            _ => None,
        },
        lane: configuration.lane.number(),
        draw_lane: configuration.draw_lane.number(),
        net: configuration.name.chars().flat_map(char::escape_debug).collect(),
        plan_digest: hex(configuration.plan.bytes()),
        key_fingerprint: fingerprint(&configuration.key),
        channels: configuration.hopset.channels().iter().map(|c| c.number()).collect(),
        rotation: configuration.hopset.rotation(),
        frame: structure.frame,
        rendezvous: structure.rendezvous,
        window: structure.window,
        draw: match structure.draw {
            Draw::Independent => "independent",
            Draw::Balanced | _ => "balanced",
        },
        equal_use: structure.equal_use,
        slot_us: configuration.timing.slot().us(),
        settle_us: configuration.timing.settle().us(),
        guard_us: configuration.timing.guard().us(),
        link_bps: configuration.timing.link_bps(),
        tolerance_ppb: configuration.clock.tolerance.ppb(),
        own_tolerance_ppb: configuration.clock.own_tolerance.ppb(),
        steadiness_ppb: configuration.clock.steadiness.ppb(),
        wander_us: configuration.clock.wander.us(),
        jitter_us: configuration.clock.jitter.us(),
        longest_delay_us: configuration.clock.longest_delay.us(),
        announce_slots: configuration.announce_slots,
        energy_threshold_dbm: configuration.energy_threshold.dbm(),
        calling: configuration.fixed.calling.map(|c| c.number()),
        watch: configuration.fixed.watch.map(|c| c.number()),
        lockout_us: configuration.fixed.lockout.us(),
        message_code: (configuration.code.n, configuration.code.k),
        share: configuration.share.as_ref().map(|share| ShownShare {
            generation: share.generation(),
            directory: share.directory().map(|target| target.to_string()).collect(),
            bytes: share.written_bytes(),
        }),
        no_station: station.err().map(|error| error.to_string()),
    }
}

/// A rank's word in a roster.
#[must_use]
pub fn rank_word(rank: Rank) -> &'static str {
    match rank {
        Rank::Timekeeper => "timekeeper",
        Rank::Deputy => "deputy",
        Rank::Member | _ => "member",
    }
}

impl ShownEnvelope {
    /// Writes it as lines.
    ///
    /// # Errors
    /// What the writer says.
    pub fn write(&self, out: &mut impl Write) -> io::Result<()> {
        writeln!(out, "sealed      version {}, {} bytes", self.version, self.sealed_bytes)?;
        writeln!(out, "for         station {}", self.address)?;
        writeln!(out, "opens with  {}", self.opens_with)
    }
}

impl Shown {
    /// Writes it as lines.
    ///
    /// # Errors
    /// What the writer says.
    pub fn write(&self, out: &mut impl Write) -> io::Result<()> {
        writeln!(out, "station     {}, {}, lane {}", self.address, self.role, self.lane)?;
        writeln!(out, "net         {} (configuration version {})", self.net, self.version)?;
        writeln!(out, "plan        {}", self.plan_digest)?;
        writeln!(
            out,
            "net key     fingerprint {} (the first keyed word of PRINT; not the key)",
            self.key_fingerprint
        )?;
        let channels = ranges(&self.channels);
        writeln!(out, "hopset      {} channels: {channels}", self.channels.len())?;
        if self.rotation > 0 || self.draw_lane != self.lane {
            writeln!(
                out,
                "spaced      follows lane {}, turned by {} ranks",
                self.draw_lane, self.rotation
            )?;
        }
        let Self { frame, rendezvous, window, draw, .. } = self;
        let equal = if self.equal_use { ", equal use" } else { "" };
        writeln!(
            out,
            "structure   frames of {frame}, {rendezvous} rendezvous channels, windows of {window}, \
             {draw} draw{equal}"
        )?;
        let Self { slot_us, settle_us, guard_us, link_bps, .. } = self;
        writeln!(
            out,
            "slots       {slot_us} us, settle {settle_us} us, guard {guard_us} us, {link_bps} bit/s"
        )?;
        let Self { tolerance_ppb, own_tolerance_ppb, steadiness_ppb, .. } = self;
        writeln!(
            out,
            "rates       {tolerance_ppb} ppb, its own {own_tolerance_ppb} ppb, steady to \
             {steadiness_ppb} ppb"
        )?;
        let Self { wander_us, jitter_us, longest_delay_us, .. } = self;
        writeln!(
            out,
            "clock       wander {wander_us} us, jitter {jitter_us} us, longest delay \
             {longest_delay_us} us"
        )?;
        writeln!(out, "announce    {} slots", self.announce_slots)?;
        writeln!(out, "energy      {} dBm", self.energy_threshold_dbm)?;
        let channel = |channel: Option<u16>| channel.map_or("none".to_owned(), |c| c.to_string());
        writeln!(
            out,
            "fixed       calling {}, watch {}, lockout {} us",
            channel(self.calling),
            channel(self.watch),
            self.lockout_us
        )?;
        let (n, k) = self.message_code;
        writeln!(out, "messages    code ({n}, {k})")?;
        if let Some(after) = self.deputy_after_us {
            writeln!(out, "deputy      after {after} us without an announce")?;
        }
        match &self.share {
            None => writeln!(out, "key tree    no share")?,
            Some(share) => {
                let ShownShare { generation, bytes, directory } = share;
                writeln!(out, "key tree    a share of {bytes} bytes, generation {generation}")?;
                writeln!(out, "may call    {}", directory_text(directory))?;
            }
        }
        match &self.no_station {
            None => writeln!(out, "a station comes of it"),
            Some(why) => writeln!(out, "NO station comes of it: {why}"),
        }
    }
}

/// A directory as one line.
pub(crate) fn directory_text<T: ToString>(directory: &[T]) -> String {
    match directory {
        [] => "only targets that it belongs to".to_owned(),
        targets => targets.iter().map(T::to_string).collect::<Vec<_>>().join(", "),
    }
}

/// Ascending numbers as ranges: `0-3, 7`.
fn ranges(numbers: &[u16]) -> String {
    let mut parts: Vec<(u16, u16)> = Vec::new();
    for number in numbers {
        match parts.last_mut() {
            Some((_, last)) if last.checked_add(1) == Some(*number) => *last = *number,
            _ => parts.push((*number, *number)),
        }
    }
    let text = |(from, to): &(u16, u16)| {
        if from == to { from.to_string() } else { format!("{from}-{to}") }
    };
    parts.iter().map(text).collect::<Vec<_>>().join(", ")
}
