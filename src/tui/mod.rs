//! Floor 9, a face: the terminal. Gets a service (the daemon itself, or a client of it); `screen` draws with `&self`,
//! `picture` changes with what arrives, keys become calls.

mod picture;
mod screen;
mod terminal;

pub use picture::{Picture, WINDOW_S};
pub use screen::draw;
pub use terminal::{TuiError, watch};
