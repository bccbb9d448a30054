//! One program for all targets: `BATTERHEAD_TARGET=header fuzz CORPUS…`, started by `fuzz/run`.

#![no_main]

mod targets;

use std::sync::LazyLock;

use libfuzzer_sys::fuzz_target;

static TARGET: LazyLock<targets::Target> = LazyLock::new(|| {
    let name = std::env::var("BATTERHEAD_TARGET").unwrap_or_default();
    let found = targets::ALL.iter().find(|(known, _)| *known == name);
    found.expect("BATTERHEAD_TARGET names a target").1
});

fuzz_target!(|bytes: &[u8]| TARGET(bytes));
