//! The process that owns a rig, from outside: runs, Ctrl-C, other faces, the end by kill -9.

mod ctrl_c;
mod runs;
