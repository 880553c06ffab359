//! Numbers without a pattern, the same in every run, for inputs that nobody chose.

/// A xorshift generator (G. Marsaglia, Xorshift RNGs, 2003; shifts from memory).
pub struct Random(u32);

impl Random {
    /// A generator; `seed` must not be zero, which would stay zero.
    #[must_use]
    pub const fn new(seed: u32) -> Self {
        Self(if seed == 0 { 1 } else { seed })
    }

    /// The next number, never zero.
    pub const fn word(&mut self) -> u32 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 17;
        self.0 ^= self.0 << 5;
        self.0
    }

    /// The next array of bytes.
    pub fn bytes<const LEN: usize>(&mut self) -> [u8; LEN] {
        core::array::from_fn(|_| self.word().to_be_bytes()[0])
    }
}
