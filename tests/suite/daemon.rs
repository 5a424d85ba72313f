//! The process that owns a rig, from outside: runs, Ctrl-C, other faces, the end by kill -9.

mod api;
mod clock_jump;
mod ctrl_c;
mod http;
mod killed;
mod readiness;
mod runs;
mod settings_back;
mod silence;
mod watch;
