//! Tests from outside: what a user of the library or the command sees.

mod publish; // whole files or none, the manifest
mod wav; // sound files: formats, chunks, damage
