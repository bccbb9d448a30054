//! One test binary for everything that is tested from outside.

mod presets; // the verdict on many presets, and the exact texts of all errors
mod scan;
//! Tests from outside: what a user of the library or the command sees.

mod publish; // whole files or none, the manifest
mod wav; // sound files: formats, chunks, damage
