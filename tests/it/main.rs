//! Tests from outside: what a user of the library or the command sees.

mod publish; // whole files or none, the manifest
mod wav; // sound files: formats, chunks, damage
//! Everything that users and other programs can see, tested from outside.

mod stages; // every stage: data sheets, and what all of them promise
//! One test binary for everything that is tested from outside.

mod presets; // the verdict on many presets, and the exact texts of all errors
