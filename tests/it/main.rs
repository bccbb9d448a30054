//! Tests from outside: what a user of the library or the command sees.

mod presets; // the verdict on many presets, and the exact texts of all errors
mod publish; // whole files or none, the manifest
mod scan;
mod wav; // sound files: formats, chunks, damage
