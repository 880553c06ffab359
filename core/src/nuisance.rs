//! Choices that need to be unpredictable to a bystander's radio but not to a cryptanalyst: which
//! rendezvous channel to wait on next. They come from a seed, never from a key.
//!
//! The mixing function is the finaliser of SplitMix64 (G. L. Steele, D. Lea, C. H. Flood, Fast
//! splittable pseudorandom number generators, OOPSLA 2014; constants from memory). Choices are
//! addressed by number, so skipping some changes none of the others.

/// Numbered choices from a seed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Nuisance(u64);

impl Nuisance {
    pub(crate) const fn new(seed: u64) -> Self {
        Self(mix(seed))
    }

    /// Choice number `index`, 32 bits. Kept in one place: the 64-bit products are long.
    #[inline(never)]
    pub(crate) const fn word(self, index: u64) -> u32 {
        let mixed = mix(self.0.wrapping_add(index.wrapping_mul(0x9E37_79B9_7F4A_7C15)));

        (mixed >> 32) as u32
    }
}

#[inline(never)]
const fn mix(z: u64) -> u64 {
    let z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}
