//! Everything that users and other programs can see, tested from outside.

mod stages; // every stage: data sheets, and what all of them promise
