//! Floor 9, a face: the terminal. Gets a service (the daemon itself, or a client of it). [`Picture`] is what it was told,
//! [`Desk`] what its person chose, [`Look`] what the terminal can show; `screen` draws from these three alone, `keys` says what
//! a key means, `terminal` is the loop that turns keys into orders.

mod desk;
mod keys;
mod large;
mod look;
mod picture;
mod screen;
mod terminal;
mod trace;
mod words;

pub use desk::{Desk, Shown};
pub use keys::{Key, meaning};
pub use look::Look;
pub use picture::{Picture, WINDOW_S};
pub use screen::draw;
pub use terminal::{TuiError, Watching, watch};
