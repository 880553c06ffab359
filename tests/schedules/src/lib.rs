//! Only tests: see `tests/`.
