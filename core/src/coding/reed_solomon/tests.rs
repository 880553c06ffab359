use super::*;
use proptest::prelude::*;
use std::vec::Vec;

/// GF(8) by `x^3 + x + 1`: small enough to try everything.
#[derive(Debug, PartialEq)]
enum Small {}

impl Field for Small {
    const POLYNOMIAL: u32 = 0xB;
    const BITS: u32 = 3;
    const FIRST_ROOT: u32 = 0;
    const STEP: u32 = 1;
}

/// Every way to lose or damage every symbol of a word of RS(7, 3): within the code's reach all
/// are restored, and whatever is restored beyond it is a code word within reach of what came.
#[test]
fn every_loss_and_every_error_of_a_small_code() {
    let code = ReedSolomon::<Small>::new(7, 3).unwrap();
    let mut word = [5, 0, 6, 0, 0, 0, 0];
    for position in 3..7 {
        let mut one = [0];
        code.column(&[5, 0, 6], position, &mut one);
        word[usize::from(position)] = one[0];
    }
    let (mut restored, mut refused, mut mistaken) = (0, 0, 0);
    for pattern in (0..9_u32.pow(7)).step_by(stride()) {
        let (mut damaged, mut erased, mut errors) = (word, Positions::NONE, 0);
        let mut rest = pattern;
        for (symbol, position) in damaged.iter_mut().zip(0..) {
            match rest % 9 {
                0 => {}
                8 => {
                    erased.insert(position);
                    *symbol = 7;
                }
                error => {
                    *symbol ^= u8::try_from(error).unwrap();
                    errors += 1;
                }
            }
            rest /= 9;
        }
        let came = damaged;
        let outcome = code.decode(&mut damaged, &erased);
        if erased.len() + 2 * errors <= 4 {
            let erasures = u8::try_from(erased.len()).unwrap();
            let errors = u8::try_from(errors).unwrap();
            assert_eq!(outcome, Ok(Restored { erasures, errors }), "{pattern}");
            assert_eq!(damaged, word, "{pattern}");
            restored += 1;
        } else if let Ok(Restored { erasures, errors }) = outcome {
            let mut syndromes = [0; MAX_WORD];
            assert!(code.syndromes(&damaged, &mut syndromes), "{pattern}: no code word");
            assert!(erasures + 2 * errors <= 4, "{pattern}: out of reach");
            let changed = (0..7).filter(|i| {
                !erased.contains(*i) && came[usize::from(*i)] != damaged[usize::from(*i)]
            });
            assert_eq!(changed.count(), usize::from(errors), "{pattern}");
            assert_ne!(damaged, word, "{pattern}: better than it should be");
            mistaken += 1;
        } else {
            refused += 1;
        }
    }
    assert!(restored > 0 && refused > 0 && mistaken > 0);
    assert_eq!(restored + refused + mistaken, 9_usize.pow(7).div_ceil(stride()));
}

/// All of them, or a sample for slow runs: under Miri, and for one of thousands of mutants.
fn stride() -> usize {
    if std::env::var_os("HOPWRIGHT_SAMPLE").is_some() { 101 } else { crate::sparse(9_973) }
}

#[test]
fn impossible_codes_are_refused() {
    let new = ReedSolomon::<Link>::new;
    assert_eq!(new(1, 1), Err(CodeError::Length { n: 1, most: 255 }));
    assert_eq!(new(8, 0), Err(CodeError::Data { k: 0, n: 8 }));
    assert_eq!(new(8, 8), Err(CodeError::Data { k: 8, n: 8 }));
    assert!(new(255, 254).is_ok() && new(2, 1).is_ok());
    assert_eq!(ReedSolomon::<Small>::new(8, 3), Err(CodeError::Length { n: 8, most: 7 }));
}

#[test]
fn words_of_another_length_are_refused() {
    let code = ReedSolomon::<Link>::new(10, 4).unwrap();
    assert_eq!(code.decode(&mut [0; 9], &Positions::NONE), Err(Uncorrectable));
    assert_eq!(code.decode(&mut [0; 11], &Positions::NONE), Err(Uncorrectable));
    let mut beyond = Positions::NONE;
    beyond.insert(10);
    assert_eq!(code.decode(&mut [0; 10], &beyond), Err(Uncorrectable));
}

#[test]
fn positions_are_a_set() {
    let mut set = Positions::first(255);
    assert_eq!((set.len(), set.contains(254), set.contains(255)), (255, true, false));
    set.remove(31);
    set.remove(31);
    assert_eq!((set.len(), set.contains(31)), (254, false));
    assert!(set.missing(31).is_empty());
    let missing = set.missing(40);
    assert_eq!((missing.len(), missing.contains(31)), (1, true));
}

/// The longest word that is tried; short ones under Miri, where the longest takes an hour.
const LONGEST: u8 = if cfg!(miri) { 24 } else { 255 };

/// A whole code word, from the columns of one.
fn word_of(code: ReedSolomon, data: &[u8]) -> Vec<u8> {
    let column = |position| {
        let mut one = [0];
        code.column(data, position, &mut one);
        one[0]
    };
    (0..code.n()).map(column).collect()
}

proptest! {
    /// Losses and errors anywhere, right up to the bound.
    #[test]
    fn within_the_bound_everything_is_restored(
        (n, k) in (2_u8..=LONGEST).prop_flat_map(|n| (Just(n), 1..n)),
        seed in prop::collection::vec(any::<u8>(), 255),
        order in Just((0_u8..255).collect::<Vec<_>>()).prop_shuffle(),
        share: u8,
    ) {
        let code = ReedSolomon::<Link>::new(n, k).unwrap();
        let word = word_of(code, &seed[..usize::from(k)]);
        let erasures = u8::try_from(u16::from(n - k) * u16::from(share) / 255).unwrap();
        let errors = (n - k - erasures) / 2;
        let (mut damaged, mut erased) = (word.clone(), Positions::NONE);
        let places = order.iter().copied().filter(|p| *p < n);
        for (i, p) in places.take(usize::from(erasures + errors)).enumerate() {
            damaged[usize::from(p)] ^= seed[usize::from(p)] | 1;
            if i < usize::from(erasures) {
                erased.insert(p);
            }
        }
        prop_assert_eq!(code.decode(&mut damaged, &erased), Ok(Restored { erasures, errors }));
        prop_assert_eq!(damaged, word);
    }

    /// Whatever comes, what is called restored is a code word.
    #[test]
    fn noise_never_passes_for_a_word_that_is_none(
        (n, k) in (2_u8..=LONGEST).prop_flat_map(|n| (Just(n), 1..n)),
        noise in prop::collection::vec(any::<u8>(), 255),
        lost in prop::collection::vec(any::<u8>(), 0..100),
    ) {
        let code = ReedSolomon::<Link>::new(n, k).unwrap();
        let mut word = noise[..usize::from(n)].to_vec();
        let mut erased = Positions::NONE;
        lost.iter().for_each(|p| erased.insert(*p));
        if code.decode(&mut word, &erased).is_ok() {
            prop_assert_eq!(&word, &word_of(code, &word[..usize::from(k)]));
        }
    }
}
