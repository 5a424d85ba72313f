//! `observe`: what it hears, what it keeps, and that it never says a word.

mod days;
mod kept;
mod silence;
mod station;
