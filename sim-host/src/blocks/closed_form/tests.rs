use super::*;

/// `(n, k, draw, channels, jammed, damaged, loss)`: computed with exact rational arithmetic
/// (Python's `fractions`), for the first eight of each draw by summing over all places of a cycle
/// one after another.
const EXACT: [(u8, u8, Draw, u32, u32, f64, f64); 18] = [
    (64, 24, Draw::Balanced, 128, 51, 0.0, 1.257933651954e-06),
    (64, 24, Draw::Balanced, 112, 45, 0.0, 1.037082229099e-06),
    (64, 24, Draw::Balanced, 128, 77, 0.0, 2.506688968314e-01),
    (31, 15, Draw::Balanced, 128, 51, 0.0, 4.306334822476e-02),
    (48, 16, Draw::Balanced, 128, 51, 0.0, 1.592215201933e-06),
    (48, 16, Draw::Balanced, 128, 77, 0.0, 9.525608582907e-02),
    (31, 15, Draw::Balanced, 16, 8, 0.0, 1.777841282649e-01),
    (64, 24, Draw::Balanced, 20, 12, 0.0, 4.678164035321e-02),
    (64, 24, Draw::Balanced, 128, 51, 0.25, 2.644973598181e-02),
    (64, 24, Draw::Independent, 128, 51, 0.0, 7.802971881534e-05),
    (64, 24, Draw::Independent, 112, 45, 0.0, 9.742355712201e-05),
    (64, 24, Draw::Independent, 128, 77, 0.0, 3.072486300122e-01),
    (31, 15, Draw::Independent, 128, 51, 0.0, 6.534972022543e-02),
    (48, 16, Draw::Independent, 128, 51, 0.0, 4.828171211742e-05),
    (48, 16, Draw::Independent, 128, 77, 0.0, 1.421891154966e-01),
    (31, 15, Draw::Independent, 16, 8, 0.0, 3.600500659086e-01),
    (64, 24, Draw::Independent, 20, 12, 0.0, 2.983444093267e-01),
    (64, 24, Draw::Independent, 128, 51, 0.25, 5.711856558249e-02),
];

#[test]
fn exact_rational_arithmetic_agrees() {
    for (n, k, draw, channels, jammed, damaged, loss) in EXACT {
        let ours = Odds { n, k, draw, channels, jammed, damaged }.loss();
        assert!(
            (ours / loss - 1.0).abs() < 1e-9,
            "({n}, {k}) {draw:?} {jammed}/{channels}: {ours}"
        );
    }
}

/// RS(31, 15) with erasures only, independent slots: 6.63347e-10, 1.88551e-5, 3.398387e-3,
/// 6.768977e-2, 0.3600501 for shares of 0.1 to 0.5 (the binomial tail, computed independently).
#[test]
fn the_binomial_tail_of_31_15() {
    let tails = [6.63347e-10, 1.88551e-5, 3.398387e-3, 6.768977e-2, 0.3600501];
    for (jammed, tail) in (1..).zip(tails) {
        let draw = Draw::Independent;
        let ours = Odds { n: 31, k: 15, draw, channels: 10, jammed, damaged: 0.0 }.loss();
        assert!((ours / tail - 1.0).abs() < 1e-6, "{jammed}: {ours}");
    }
}

#[test]
fn the_ends_are_certain() {
    for draw in [Draw::Balanced, Draw::Independent] {
        for damaged in [0.0, 0.5, 1.0] {
            let odds = Odds { n: 64, k: 24, draw, channels: 128, jammed: 0, damaged };
            assert!(odds.loss() < 1e-12);
            assert!((Odds { jammed: 128, ..odds }.loss() - 1.0).abs() < 1e-9);
        }
    }
}

/// A balanced draw loses no more than an independent one where blocks are seldom lost: a sample
/// without replacement varies less (W. Hoeffding, 1963, theorem 4, citation from memory).
#[test]
fn balance_helps_below_the_threshold() {
    for jammed in 1..70 {
        let odds = Odds { n: 64, k: 24, draw: Draw::Balanced, channels: 128, jammed, damaged: 0.0 };
        let independent = Odds { draw: Draw::Independent, ..odds };
        assert!(odds.loss() <= independent.loss(), "{jammed}");
    }
}
