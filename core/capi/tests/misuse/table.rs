//! Every function, every pointer that it takes, and every mistake that such a pointer can be.

use crate::net::{self, POST};
use hopwright_capi::*;
use std::ffi::c_void;
use std::ptr::{null, null_mut};

/// What a function is given a pointer to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Kind {
    /// Memory with a thing in it.
    Made,
    /// Memory for a thing.
    Vacant,
    /// A value that is copied.
    Input,
    /// Bytes that are read.
    Read,
    /// Bytes that are written.
    Written,
    /// Room for a value.
    Output,
}

use Kind::{Input, Made, Output, Read, Vacant, Written};

impl Kind {
    const fn is_memory(self) -> bool {
        matches!(self, Made | Vacant)
    }

    const fn is_bytes(self) -> bool {
        matches!(self, Read | Written)
    }

    /// Whether the two must not overlap.
    const fn apart(self, other: Self) -> bool {
        match (self, other) {
            (Input, _) | (_, Input) | (Read, Read) => false,
            (Made | Vacant | Read | Written | Output, _) => true,
        }
    }
}

/// A pointer that a function takes.
#[derive(Clone, Copy)]
pub(super) struct Argument {
    pub(super) kind: Kind,
    pub(super) pointer: *mut u8,
    align: usize,
    /// The bytes that it points to.
    pub(super) length: usize,
    /// Of memory: the same without, or with, a thing in it.
    instead: *mut u8,
}

/// A function, and how it is called with pointers and with the length of all its bytes.
pub(super) struct Call {
    pub(super) name: &'static str,
    pub(super) arguments: Vec<Argument>,
    call: fn(&[*mut u8], &[usize]) -> i32,
    /// What it answers if all is as it should be.
    pub(super) good: i32,
}

/// Everything that pointers point to, for as long as a test runs.
#[derive(Default)]
pub(super) struct Things {
    kept: Vec<(*mut u64, usize)>,
}

impl Drop for Things {
    fn drop(&mut self) {
        for (pointer, length) in &self.kept {
            // SAFETY: `words` made it, and nobody uses it any more.
            drop(unsafe { Box::from_raw(std::ptr::slice_from_raw_parts_mut(*pointer, *length)) });
        }
    }
}

impl Things {
    /// Zeros.
    pub(super) fn words(&mut self, length: usize) -> *mut u64 {
        let pointer = Box::into_raw(vec![0_u64; length].into_boxed_slice()).cast();
        self.kept.push((pointer, length));
        pointer
    }

    pub(super) fn zeros<T>(&mut self) -> *mut T {
        self.words(size_of::<T>().div_ceil(8)).cast()
    }

    fn made<T>(&mut self, thing: *mut T) -> Argument {
        let instead = self.zeros::<T>().cast();
        let length = size_of::<T>();
        Argument { kind: Made, pointer: thing.cast(), align: align_of::<T>(), length, instead }
    }

    fn vacant<T>(&mut self, instead: *mut T) -> Argument {
        let pointer = self.zeros::<T>().cast();
        let (align, length) = (align_of::<T>(), size_of::<T>());
        Argument { kind: Vacant, pointer, align, length, instead: instead.cast() }
    }

    fn input<T: Copy>(&mut self, value: T) -> Argument {
        let pointer = self.zeros::<T>();
        // SAFETY: it is ours, large enough, and aligned as words are.
        unsafe { pointer.write(value) };
        let (align, length) = (align_of::<T>(), size_of::<T>());
        Argument { kind: Input, pointer: pointer.cast(), align, length, instead: null_mut() }
    }

    fn output<T>(&mut self) -> Argument {
        let pointer = self.zeros::<T>().cast();
        let (align, length) = (align_of::<T>(), size_of::<T>());
        Argument { kind: Output, pointer, align, length, instead: null_mut() }
    }

    fn read(&mut self, bytes: &[u8]) -> Argument {
        let pointer = self.words(bytes.len().div_ceil(8)).cast::<u8>();
        // SAFETY: it is ours, and large enough.
        unsafe { pointer.copy_from(bytes.as_ptr(), bytes.len()) };
        let length = bytes.len();
        Argument { kind: Read, pointer, align: 1, length, instead: null_mut() }
    }

    fn written(&mut self) -> Argument {
        let pointer = self.words(ROOM / 8).cast();
        Argument { kind: Written, pointer, align: 1, length: ROOM, instead: null_mut() }
    }

    pub(super) fn station(&mut self) -> *mut Memory {
        let (memory, start) = (self.zeros::<Memory>(), Start::default());
        let configuration = net::configuration(POST);
        let (bytes, length) = (configuration.as_ptr(), configuration.len());
        // SAFETY: all of it is ours, and as long as it says.
        assert_eq!(unsafe { hw_init(memory, bytes, length, &raw const start) }, OK);
        memory
    }

    pub(super) fn outbox(&mut self) -> *mut Outbox {
        let (outbox, plan) = (self.zeros(), plan());
        // SAFETY: all of it is ours.
        assert_eq!(unsafe { hw_outbox_init(outbox, &raw const plan) }, OK);
        outbox
    }

    pub(super) fn inbox(&mut self) -> *mut Inbox {
        let (inbox, plan) = (self.zeros(), plan());
        // SAFETY: all of it is ours.
        assert_eq!(unsafe { hw_inbox_init(inbox, &raw const plan) }, OK);
        inbox
    }

    pub(super) fn loader(&mut self) -> *mut Loader {
        let (loader, work) = (self.zeros(), self.words(ROOM / 8).cast());
        let (storage, judge) = (storage(), Judge::default());
        // SAFETY: all of it is ours, and as long as it says.
        let status =
            unsafe { hw_loader_init(loader, &raw const storage, &raw const judge, work, ROOM) };
        assert_eq!(status, OK);
        loader
    }
}

/// The bytes of every buffer that is written.
pub(super) const ROOM: usize = 704;

pub(super) fn plan() -> Plan {
    let (configuration, mut plan) = (net::configuration(POST), Plan::default());
    let (bytes, length) = (configuration.as_ptr(), configuration.len());
    // SAFETY: all of it is ours, and as long as it says.
    assert_eq!(unsafe { hw_read_plan(bytes, length, &raw mut plan) }, OK);
    plan
}

unsafe extern "C" fn blank(_: *mut c_void, _: u32, _: usize, bytes: *mut u8, length: usize) -> i32 {
    // SAFETY: so many bytes are to be written.
    unsafe { bytes.write_bytes(0xFF, length) };
    0
}

pub(super) unsafe extern "C" fn fails(
    _: *mut c_void,
    _: u32,
    _: usize,
    _: *mut u8,
    _: usize,
) -> i32 {
    1
}

unsafe extern "C" fn write(_: *mut c_void, _: u32, _: usize, _: *const u8, _: usize) -> i32 {
    0
}

unsafe extern "C" fn erase(_: *mut c_void, _: u32) -> i32 {
    0
}

/// Storage that is always blank.
pub(super) fn storage() -> Storage {
    Storage {
        context: null_mut(),
        capacity: 2_048,
        read: Some(blank),
        write: Some(write),
        erase: Some(erase),
    }
}

/// Calls a function with its pointers and lengths.
macro_rules! call {
    ($things:ident, $function:ident, $good:expr, [$($argument:expr),*], $p:ident, $n:ident => $($given:expr),*) => {
        Call {
            name: stringify!($function),
            arguments: vec![$($argument),*],
            // SAFETY: all of it is ours and as it says, but for the mistake that is tried.
            call: |$p, $n| { let _ = $n; unsafe { $function($($given),*) } },
            good: $good,
        }
    };
}

/// Every function of the interface; those that end things come last.
pub(super) fn calls(t: &mut Things) -> Vec<Call> {
    let (s, o, i, l) = (t.station(), t.outbox(), t.inbox(), t.loader());
    let configuration = net::configuration(POST);
    let reception =
        Reception { at_us: 0, bits: null(), length: 0, word: 0, channel: 0, unused: [0; 2] };
    let judge = Judge::default();
    let raster = Raster { base_hz: 1, spacing_hz: 1, channels: 1, unused: [0; 6] };
    let payload = Payload::default();
    let conf = configuration.as_slice();
    vec![
        call!(t, hw_init, OK, [t.vacant(s), t.read(conf), t.input(Start::default())],
            p, n => p[0].cast(), p[1], n[1], p[2].cast()),
        call!(t, hw_poll, OK, [t.made(s), t.output::<Action>()], p, n => p[0].cast(), 0, p[1].cast()),
        call!(t, hw_burst, OK, [t.made(s), t.written(), t.output::<usize>()],
            p, n => p[0].cast(), p[1], n[1], p[2].cast()),
        call!(t, hw_heard_word, OK, [t.made(s), t.input(reception), t.output::<Heard>()],
            p, n => p[0].cast(), 0, p[1].cast(), p[2].cast()),
        call!(t, hw_energy, OK, [t.made(s)], p, n => p[0].cast(), 0, 0, 0),
        call!(t, hw_next_event, NONE, [t.made(s), t.output::<Event>()], p, n => p[0].cast(), p[1].cast()),
        call!(t, hw_in_step, OK, [t.made(s), t.output::<u8>()], p, n => p[0].cast(), p[1]),
        call!(t, hw_look, OK, [t.made(s), t.output::<State>()], p, n => p[0].cast(), 0, p[1].cast()),
        call!(t, hw_count, OK, [t.made(s), t.output::<Counters>()], p, n => p[0].cast(), p[1].cast()),
        call!(t, hw_hopset, OK, [t.made(s), t.output::<u16>()], p, n => p[0].cast(), 0, p[1].cast()),
        call!(t, hw_release, REFUSED_NOT_SPEAKING, [t.made(s)], p, n => p[0].cast(), 0),
        call!(t, hw_order, REFUSED_NO_ORDER, [t.made(s)], p, n => p[0].cast(), 0),
        call!(t, hw_set_mode, OK, [t.made(s)], p, n => p[0].cast(), 0, MODE_HOPPING),
        call!(t, hw_press, OK, [t.made(s)], p, n => p[0].cast(), 0, 0, 0),
        call!(t, hw_announce, OK, [t.made(s)], p, n => p[0].cast(), 0),
        call!(t, hw_queue_payload, REFUSED_NOT_SPEAKING, [t.made(s), t.read(&[0; 8])],
            p, n => p[0].cast(), p[1], n[1]),
        call!(t, hw_open_payload, NONE,
            [t.made(s), t.input(payload), t.read(&[0; 8]), t.written(), t.output::<usize>()],
            p, n => p[0].cast(), p[1].cast(), p[2], n[2], p[3], n[3], p[4].cast()),
        call!(t, hw_take_order, REFUSED_NOT_FOR_US, [t.made(s), t.read(&[0; 8])],
            p, n => p[0].cast(), 0, p[1], n[1]),
        call!(t, hw_renew, OK, [t.made(s), t.read(conf), t.written(), t.output::<usize>()],
            p, n => p[0].cast(), p[1], n[1], p[2], n[2], p[3].cast()),
        call!(t, hw_read_plan, OK, [t.read(conf), t.output::<Plan>()], p, n => p[0], n[0], p[1].cast()),
        call!(t, hw_frequency, OK, [t.input(raster), t.output::<u64>()], p, n => p[0].cast(), 0, p[1].cast()),
        call!(t, hw_outbox_init, OK, [t.vacant(o), t.input(plan())], p, n => p[0].cast(), p[1].cast()),
        call!(t, hw_outbox_next, NONE, [t.made(o), t.written(), t.output::<usize>()],
            p, n => p[0].cast(), p[1], n[1], p[2].cast()),
        call!(t, hw_outbox_send, NONE, [t.made(o), t.made(s)], p, n => p[0].cast(), p[1].cast()),
        call!(t, hw_outbox_load, REFUSED_NOT_SPEAKING, [t.made(o), t.made(s), t.read(&[0; 8])],
            p, n => p[0].cast(), p[1].cast(), 9, 0, 0, p[2], n[2]),
        call!(t, hw_outbox_left, OK, [t.made(o), t.output::<u16>()], p, n => p[0].cast(), p[1].cast()),
        call!(t, hw_outbox_longest, OK, [t.made(o), t.output::<u16>()], p, n => p[0].cast(), p[1].cast()),
        call!(t, hw_outbox_repeat, OK, [t.made(o)], p, n => p[0].cast()),
        call!(t, hw_outbox_clear, OK, [t.made(o)], p, n => p[0].cast()),
        call!(t, hw_inbox_init, OK, [t.vacant(i), t.input(plan())], p, n => p[0].cast(), p[1].cast()),
        call!(t, hw_inbox_take, OK,
            [t.made(i), t.made(s), t.input(payload), t.read(&[0; 8]), t.output::<u32>()],
            p, n => p[0].cast(), p[1].cast(), p[2].cast(), p[3], n[3], p[4].cast()),
        call!(t, hw_inbox_work, OK, [t.made(i), t.output::<Message>()], p, n => p[0].cast(), p[1].cast()),
        call!(t, hw_loader_init, OK, [t.vacant(l), t.input(storage()), t.input(judge), t.written()],
            p, n => p[0].cast(), p[1].cast(), p[2].cast(), p[3], n[3]),
        call!(t, hw_loader_take, OK,
            [t.made(l), t.read(&[0; 8]), t.output::<usize>(), t.written(), t.output::<usize>()],
            p, n => p[0].cast(), p[1], n[1], p[2].cast(), p[3], n[3], p[4].cast()),
        call!(t, hw_loader_verdict, NONE, [t.made(l), t.output::<Verdict>()], p, n => p[0].cast(), p[1].cast()),
        call!(t, hw_load_configuration, NONE,
            [t.input(storage()), t.input(judge), t.written(), t.output::<usize>()],
            p, n => p[0].cast(), p[1].cast(), p[2], n[2], p[3].cast()),
        call!(t, hw_replace_configuration, NONE,
            [t.input(storage()), t.input(judge), t.input([0_u8; 12]), t.read(conf), t.written()],
            p, n => p[0].cast(), p[1].cast(), p[2], p[3], n[3], p[4], n[4]),
        call!(t, hw_end, OK, [t.made(s)], p, n => p[0].cast()),
        call!(t, hw_outbox_end, OK, [t.made(o)], p, n => p[0].cast()),
        call!(t, hw_inbox_end, OK, [t.made(i)], p, n => p[0].cast()),
        call!(t, hw_loader_end, OK, [t.made(l)], p, n => p[0].cast()),
    ]
}

impl Call {
    /// Calls the function with everything as it should be but the pointer of one argument.
    fn with_pointer(&self, place: usize, pointer: *mut u8) -> i32 {
        let mut pointers: Vec<_> = self.arguments.iter().map(|a| a.pointer).collect();
        pointers[place] = pointer;
        let lengths: Vec<_> = self.arguments.iter().map(|a| a.length).collect();
        (self.call)(&pointers, &lengths)
    }

    /// The same but for the length of one.
    pub(super) fn with_length(&self, place: usize, length: usize) -> i32 {
        let pointers: Vec<_> = self.arguments.iter().map(|a| a.pointer).collect();
        let mut lengths: Vec<_> = self.arguments.iter().map(|a| a.length).collect();
        lengths[place] = length;
        (self.call)(&pointers, &lengths)
    }

    /// Tries every mistake; gives how many were tried.
    pub(super) fn mistakes(&self) -> usize {
        let mut tried = 0;
        let mut is = |status, expected, place: usize, what| {
            assert_eq!(status, expected, "{}, argument {place}: {what}", self.name);
            tried += 1;
        };
        for (place, argument) in self.arguments.iter().enumerate() {
            let Argument { kind, pointer, align, instead, .. } = *argument;
            is(self.with_pointer(place, null_mut()), NULL, place, "null");
            if align > 1 {
                let inside = pointer.wrapping_add(1);
                is(self.with_pointer(place, inside), MISALIGNED, place, "misaligned");
            }
            if kind == Made {
                is(self.with_pointer(place, instead), NOT_READY, place, "nothing there");
            }
            if kind == Vacant {
                is(self.with_pointer(place, instead), READY, place, "something there");
            }
            if kind.is_bytes() {
                is(self.with_length(place, usize::MAX), RANGE, place, "too long");
                is(self.with_length(place, (1 << 16) + 1), RANGE, place, "longer than 64 KiB");
            }
            for other in self.arguments.iter().filter(|other| other.kind.apart(kind)) {
                // Its own start, and its last eight bytes.
                let end = other.length.saturating_sub(8) & !7;
                let ends = if kind.is_memory() || other.length < 16 { 1 } else { 2 };
                for within in [0, end].into_iter().take(ends) {
                    if other.pointer != pointer {
                        let over = other.pointer.wrapping_add(within);
                        is(self.with_pointer(place, over), RANGE, place, "overlaps");
                    }
                }
            }
        }
        tried
    }
}
