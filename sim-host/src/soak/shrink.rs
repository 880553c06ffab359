//! Delta debugging: the shortest list that still fails (A. Zeller, R. Hildebrandt, Simplifying and
//! isolating failure-inducing input, IEEE TSE 28(2), 2002, figure 4: `ddmin`).

/// Removes items for as long as `fails` says that what is left still fails. In what remains, every
/// single item is needed. `fails` must be true of `list` itself; it is asked at most about
/// `n^2 + 3 n` times for `n` items, and about `2 log n` times if one item is to blame.
pub fn minimise<T: Clone>(list: &[T], mut fails: impl FnMut(&[T]) -> bool) -> Vec<T> {
    let mut list = list.to_vec();
    let mut parts = 2;
    while !list.is_empty() {
        let size = list.len().div_ceil(parts.min(list.len()));
        let starts: Vec<usize> = (0..list.len()).step_by(size).collect();
        let part = |start: usize| start..list.len().min(start + size);
        let alone = starts.iter().map(|start| list[part(*start)].to_vec()).find(|p| {
            // With one part the list itself would be asked about.
            starts.len() > 1 && fails(p)
        });
        if let Some(smaller) = alone {
            (list, parts) = (smaller, 2);
            continue;
        }
        let without = |start: usize| {
            let (from, to) = (part(start).start, part(start).end);
            [&list[..from], &list[to..]].concat()
        };
        if let Some(smaller) = starts.iter().map(|start| without(*start)).find(|rest| fails(rest)) {
            (list, parts) = (smaller, parts.saturating_sub(1).max(2));
        } else if size > 1 {
            parts = (2 * parts).min(list.len());
        } else {
            break;
        }
    }
    list
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The example of the paper's figure 5: 1, 7 and 8 of eight are needed together.
    #[test]
    fn the_paper_s_example() {
        let needed = |list: &[u8]| [1, 7, 8].iter().all(|n| list.contains(n));
        assert_eq!(minimise(&[1, 2, 3, 4, 5, 6, 7, 8], needed), [1, 7, 8]);
    }

    #[test]
    fn one_item_is_found_in_logarithmic_time() {
        let list: Vec<u32> = (0..1_024).collect();
        let mut asked = 0;
        let found = minimise(&list, |part| {
            asked += 1;
            part.contains(&700)
        });
        assert_eq!(found, [700]);
        assert!(asked <= 30, "{asked}");
    }

    #[test]
    fn what_fails_by_itself_shrinks_to_nothing() {
        assert!(minimise(&[1, 2, 3], |_| true).is_empty());
        assert!(minimise(&[0_u8; 0], |_| true).is_empty());
    }

    proptest! {
        /// One-minimal (definition 8 of the paper): it fails, and without any one item it does not.
        #[test]
        fn every_item_left_is_needed(n in 1_usize..60, picks: [usize; 3], either: bool) {
            let list: Vec<usize> = (0..n).collect();
            let picks = picks.map(|pick| pick % n);
            let fails = |part: &[usize]| {
                let has = |i: usize| part.contains(&picks[i]);
                if either { has(0) && (has(1) || has(2)) } else { has(0) && has(1) && has(2) }
            };
            let left = minimise(&list, fails);
            prop_assert!(fails(&left));
            prop_assert!(left.is_sorted());
            for skip in 0..left.len() {
                let mut fewer = left.clone();
                fewer.remove(skip);
                prop_assert!(!fails(&fewer));
            }
        }
    }
}
