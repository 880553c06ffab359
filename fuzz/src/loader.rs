//! Loading a configuration over a line that does anything, into a storage that loses its power at
//! any byte. Whatever happens, the station has the old configuration or the new one, whole.

use arbitrary::{Result, Unstructured};
use hopwright_core::address::Address;
use hopwright_core::loader::{
    Bank, CELL_BYTES, CHUNK_BYTES, CarrierEnd, Frame, Judge, Offer, Outcome, Refusal, StationEnd,
    Storage, Store, Verdict, Wire, cells_needed, write_frame,
};
use hopwright_core::units::{Micros, Tick};
use hopwright_tests::provisioning::{Flash, Wear};
use std::collections::BTreeSet;

const MINE: Address = Address::new(0x4B);
/// Bytes of the longest content, and cells that may be spoilt before there is no room for it.
const LONGEST: usize = 420;
const SPARE: usize = 2;

/// Takes what ends in an even byte, for the right address.
struct Even;

impl Judge for Even {
    fn address(&self) -> Option<Address> {
        Some(MINE)
    }

    fn judge(&mut self, content: &mut [u8], address: Address) -> std::result::Result<(), Refusal> {
        let even = content.last().is_some_and(|last| last.is_multiple_of(2));
        // What is judged is a copy: to spoil it must do no harm.
        content.fill(0xA5);
        if even && address == MINE { Ok(()) } else { Err(Refusal::Content) }
    }
}

/// The storage, and what may be in use.
struct Bench {
    flash: Flash,
    /// The content in use; nothing at first.
    active: Option<Vec<u8>>,
    /// What is being carried, if it may be accepted.
    coming: Option<Vec<u8>>,
    /// Everything that was ever accepted before that: none of it may come back.
    gone: BTreeSet<Vec<u8>>,
}

/// Contents, cuts, losses of power and noise, as the input says.
///
/// # Panics
/// If what a start finds is anything but the old configuration or the new one, whole, or if an end
/// tells something else than what is so.
pub fn loader(data: &[u8]) {
    let _ = run(&mut Unstructured::new(data));
}

fn run(u: &mut Unstructured<'_>) -> Result<()> {
    let mut flash = Flash::new((cells_needed(LONGEST) + SPARE) * CELL_BYTES);
    flash.wear = *u.choose(&[Wear::Forwards, Wear::Backwards, Wear::Ragged, Wear::Unreadable])?;
    let mut bench = Bench { flash, active: None, coming: None, gone: BTreeSet::new() };
    let (mut content, mut serial) = (Vec::new(), 0);
    for _ in 0..12 {
        if u.is_empty() {
            break;
        }
        // The same again, as a rule: what was interrupted goes on.
        if content.is_empty() || u.ratio(1, 3)? {
            serial += 1;
            content = fresh(u, serial)?;
        }
        connect(u, &mut bench, &content)?;
        bench.flash.power = None;
        bench.restart();
        bench.mend();
    }
    // What is left of the input (so that the seeds mean what they did): a carrier that keeps to nothing but the check
    // values.
    if !u.is_empty() {
        bench.coming = None;
        frames(u, &mut bench, &content)?;
    }
    Ok(())
}

/// Frames of any kind in any order, each good by itself: an offer of `content`, its chunks or others, commits. What is
/// in use stays, or is what was offered, whole.
fn frames(u: &mut Unstructured<'_>, bench: &mut Bench, content: &[u8]) -> Result<()> {
    let Ok(store) = Store::open(bench.flash.clone()) else { return Ok(()) };
    let mut work = [0; LONGEST];
    let mut station = StationEnd::new(store, Even, &mut work);
    if content.last().is_some_and(|last| last % 2 == 0) {
        bench.coming = Some(content.to_vec());
    }
    let Offer { size, digest, .. } = Offer::of(MINE, content);
    let offer = [&[MINE.number()][..], &size.to_le_bytes(), &digest.to_le_bytes()].concat();
    let mut wire = Wire::new();
    while !u.is_empty() {
        let number = u.int_in_range(0..=4_u16)?;
        let chunk = content.chunks(CHUNK_BYTES).nth(number.into()).unwrap_or_default();
        let mut chunk = chunk.to_vec();
        match u.int_in_range(0..=7_u8)? {
            // As it is offered, or not.
            0 => write_frame(Frame { kind: 1, sequence: 1, payload: &offer }, &mut wire),
            1 => write_frame(Frame { kind: 3, sequence: number, payload: &[] }, &mut wire),
            2 => {
                if let Some(byte) = chunk.last_mut() {
                    *byte ^= u.arbitrary::<u8>()?;
                }
                write_frame(Frame { kind: 2, sequence: number, payload: &chunk }, &mut wire);
            }
            _ => write_frame(Frame { kind: 2, sequence: number, payload: &chunk }, &mut wire),
        }
        wire.iter().for_each(|byte| {
            let _ = station.byte(*byte);
        });
        bench.flash = station.store().storage().clone();
        bench.restart();
    }
    Ok(())
}

/// A content that was never carried before: length, filling and end are the input's.
fn fresh(u: &mut Unstructured<'_>, serial: u8) -> Result<Vec<u8>> {
    let length = u.int_in_range(2..=LONGEST)?;
    let mut content = vec![*u.choose(&[0xC0, 0xDB, 0xFF, 0x31])?; length];
    // Everywhere, so that no part of another content, behind any byte, looks like a part of this.
    content.iter_mut().step_by(16).for_each(|byte| *byte = serial);
    content[length - 1] = u.arbitrary()?;
    Ok(content)
}

impl Bench {
    /// What a start would find now.
    fn found(&self) -> Option<Vec<u8>> {
        let mut flash = self.flash.clone();
        flash.power = None;
        let wear = flash.wear;
        let Ok(mut store) = Store::open(flash) else {
            // What cannot be read may be one; but none has ever been in use.
            assert!(wear == Wear::Unreadable && self.active.is_none(), "a storage that has power");
            return None;
        };
        store.active()?;
        let mut work = [0; LONGEST];
        Some(store.load(&mut work).expect("what is active can be read").to_vec())
    }

    /// What a driver does when a store does not open that has never held anything: the documentation of
    /// `Store::open` asks for it.
    fn mend(&mut self) {
        if Store::open(self.flash.clone()).is_err() {
            for bank in [Bank::A, Bank::B] {
                self.flash.erase(bank).expect("a storage that has power");
            }
        }
    }

    /// Old or new.
    fn restart(&mut self) {
        let found = self.found();
        if found == self.active {
            return;
        }
        assert!(found.is_some(), "the station has lost its configuration");
        assert_eq!(found, self.coming, "neither the old configuration nor the new one");
        self.gone.extend(self.active.take());
        self.active = found;
    }
}

/// What the input makes of the bytes on one way of the line.
fn line(u: &mut Unstructured<'_>, bytes: &[u8], quiet: bool) -> Result<Option<Vec<u8>>> {
    let mut arriving = bytes.to_vec();
    if quiet {
        return Ok(Some(arriving));
    }
    let at = usize::from(u.arbitrary::<u8>()?) % arriving.len().max(1);
    match u.int_in_range(0..=15_u8)? {
        0 => arriving[at] ^= 1 << u.int_in_range(0..=7)?,
        1 => drop(arriving.remove(at)),
        2 => arriving.insert(at, u.arbitrary()?),
        3 => arriving.extend_from_slice(bytes),
        4 => arriving.clear(),
        5 => drop(arriving.splice(0..0, u.arbitrary::<[u8; 6]>()?)),
        // The plug is pulled.
        6 => {
            arriving.truncate(at);
            return Ok(None);
        }
        _ => {}
    }
    Ok(Some(arriving))
}

/// One connection, to its end or to the end of power, plug or patience.
fn connect(u: &mut Unstructured<'_>, bench: &mut Bench, content: &[u8]) -> Result<()> {
    let address = if u.ratio(1, 16)? { Address::new(0x4C) } else { MINE };
    let acceptable = address == MINE && content.last().is_some_and(|last| last % 2 == 0);
    bench.coming = acceptable.then(|| content.to_vec());
    bench.flash.power = if u.ratio(1, 2)? { Some(u.int_in_range(1..=2_400)?) } else { None };
    let quiet = u.ratio(1, 2)?;
    let Ok(store) = Store::open(bench.flash.clone()) else { return Ok(()) };
    let mut work = [0; LONGEST];
    let mut station = StationEnd::new(store, Even, &mut work);
    let mut carrier = CarrierEnd::new(address, content);
    let mut now = Tick::new(1_000);
    let mut worn = usize::MAX;
    for _ in 0..400 {
        let Some(sent) = carrier.poll(now).map(<[u8]>::to_vec) else {
            if carrier.outcome().is_some() {
                break;
            }
            now = carrier.wake().plus(Micros::new(u.int_in_range(0..=1_000)?));
            continue;
        };
        let arriving = line(u, &sent, quiet)?;
        for byte in arriving.iter().flatten() {
            let answer = station.byte(*byte).map(<[u8]>::to_vec);
            let flash = station.store().storage();
            if flash.worn != worn {
                worn = flash.worn;
                bench.flash = flash.clone();
                bench.restart();
            }
            if flash.dark() {
                return Ok(());
            }
            if let Some(Verdict::Accepted(active)) = station.verdict() {
                let committed = bench.active.as_ref().map(|content| content.len());
                assert_eq!(committed, usize::try_from(active.offer.size).ok(), "{active:?}");
            }
            let Some(answer) = answer else { continue };
            let Some(answer) = line(u, &answer, quiet)? else { return Ok(()) };
            answer.into_iter().for_each(|byte| carrier.byte(byte));
        }
        if arriving.is_none() {
            break;
        }
    }
    match carrier.outcome() {
        // Garbage with a check value that fits is not to be expected: what is told is so.
        Some(Outcome::Accepted { .. }) => {
            assert_eq!(bench.active.as_deref(), Some(content), "accepted, and not in use");
        }
        Some(Outcome::Refused(_)) if quiet && acceptable => {
            assert!(bench.flash.power.is_some(), "refused without a reason");
        }
        Some(Outcome::Refused(_) | Outcome::NoAnswer) | None => {}
    }
    // What is out of use has been erased, once the station has had the time; unless the offer goes
    // last, as the documentation of the store says.
    let told = bench.flash.wear != Wear::Backwards;
    if told && bench.flash.power.is_none() && station.verdict().is_some() {
        let bytes = bench.flash.bytes();
        for gone in &bench.gone {
            let telling = bench.active.as_ref() != Some(gone);
            // Any chunk of it: what was erased from the front has lost its first.
            let mut parts = gone.chunks(CHUNK_BYTES).filter(|part| part.len() >= 24);
            let mut there =
                || parts.any(|part| bytes.windows(part.len()).any(|window| window == part));
            assert!(
                !telling || bench.coming.as_ref() == Some(gone) || !there(),
                "keys have stayed"
            );
        }
    }
    Ok(())
}
