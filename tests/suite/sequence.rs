//! The sequence: its file, its steps, and whole runs of the executor on a bench made of mock ports.

mod aborts;
mod guarding;
mod prediction;
mod runs;
mod script;
mod steps;
mod two_starters;
mod world;
