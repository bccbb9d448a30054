//! What is decided, rule by rule, from evidence made by hand.

mod delay;
mod gain;
mod gate;
mod left_out;
mod pan;
mod polarity;
mod rate;
mod tuned;
