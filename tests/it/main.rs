//! One test binary for everything that is tested from outside.

mod presets; // the verdict on many presets, and the exact texts of all errors
mod scan;
