//! Many counts of one thing.

use semihosting::println;

/// Number, sum, least and largest of some counts.
#[derive(Clone, Copy)]
pub(crate) struct Stats {
    number: u32,
    sum: u64,
    least: u32,
    worst: u32,
}

impl Stats {
    pub(crate) const fn new() -> Self {
        Self { number: 0, sum: 0, least: u32::MAX, worst: 0 }
    }

    /// Takes a count in; tells whether it is the largest so far.
    pub(crate) fn add(&mut self, count: u32) -> bool {
        let worst = self.number == 0 || count > self.worst;
        self.number += 1;
        self.sum += u64::from(count);
        self.least = self.least.min(count);
        self.worst = self.worst.max(count);
        worst
    }

    /// Prints `name_number`, `name_mean`, `name_least` and `name_worst`; nothing if nothing was
    /// counted.
    pub(crate) fn print(&self, name: &str) {
        if self.number > 0 {
            println!("{name}_number {}", self.number);
            println!("{name}_mean {}", self.sum.div_ceil(u64::from(self.number)));
            println!("{name}_least {}", self.least);
            println!("{name}_worst {}", self.worst);
        }
    }
}
