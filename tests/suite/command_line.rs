//! Every verb as a user runs it: exit codes, what stands on which stream, what is in the files.

mod calibrate;
mod demo;
mod machine;
mod secrets;
mod shelf;
mod verbs;
