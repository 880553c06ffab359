use super::*;

/// NIST SP 1065, section 12.4: the first terms of the generator and the last.
#[test]
fn the_reference_data_are_the_published_ones() {
    let data = reference_data();
    let number = |i: usize| libm::round(data[i] * 2_147_483_647.0);
    assert_eq!(data.len(), 1_000);
    let ends = [0, 1, 2, 3, 999].map(number);
    assert_eq!(
        ends,
        [1_234_567_890.0, 395_529_916.0, 1_209_410_747.0, 633_705_974.0, 1_560_135_652.0]
    );
}

/// NIST SP 1065, section 12.4, table 31.
#[test]
fn the_published_statistics() {
    for row in published() {
        assert!(row.agrees(), "{row:?}");
    }
}

/// The nine-point set of the same section (from W. Riley's test suite).
#[test]
fn nine_points() {
    let y = [892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0];
    let phase = phases(&y, 1.0);
    let cases = [
        (Statistic::Adev, [91.229_45, 115.808_2]),
        (Statistic::Oadev, [91.229_45, 85.952_87]),
        (Statistic::Mdev, [91.229_45, 74.788_49]),
        (Statistic::Tdev, [52.671_35, 86.358_31]),
        (Statistic::Hdev, [70.806_07, 116.798_0]),
        (Statistic::Ohdev, [70.806_07, 85.614_87]),
    ];
    for (statistic, values) in cases {
        for (m, value) in [1, 2].into_iter().zip(values) {
            let computed = statistic.of(&phase, 1.0, m).unwrap();
            assert!((computed - value).abs() <= 1e-6 * value, "{statistic:?} {m}: {computed}");
        }
    }
}

#[test]
fn too_few_data_give_nothing() {
    assert_eq!(Statistic::Oadev.of(&[0.0, 1.0], 1.0, 1), None);
    assert_eq!(Statistic::Hdev.of(&[0.0; 6], 1.0, 2), None);
    assert_eq!(Statistic::Adev.of(&[0.0; 6], 1.0, 0), None);
}

/// Drift makes no Hadamard deviation, and D tau / sqrt(2) of Allan's: 7.071068e-13 for 1e-12 a
/// second over a second (IEEE 1139).
#[test]
fn drift() {
    let phase: Vec<f64> = (0..1_000).map(|t| 0.5e-12 * f64::from(t * t)).collect();
    let adev = Statistic::Adev.of(&phase, 1.0, 1).unwrap();
    assert!((adev - 7.071_068e-13).abs() < 1e-18, "{adev}");
    assert!(Statistic::Hdev.of(&phase, 1.0, 10).unwrap() < 1e-20);
}

/// Several seeds, so that a process that is right only by luck is found out.
#[test]
fn simulated_oscillators_have_the_stability_of_their_closed_forms() {
    for seed in 1..=5 {
        let rows = rows(7, seed);
        assert!(rows.len() >= 30, "{}", rows.len());
        for row in rows {
            assert!(row.holds(), "seed {seed}: {row:?}");
        }
    }
}

/// The band is narrow enough to tell a tenth more noise over the shortest span.
#[test]
fn the_band_can_be_missed() {
    let rows = rows(7, 1);
    for name in ["white FM", "random-walk FM"] {
        let row = rows.iter().find(|row| row.process == name).unwrap();
        let more = Row { measured: row.closed_form * 1.1, ..*row };
        assert!(!more.holds(), "{row:?}");
    }
}
