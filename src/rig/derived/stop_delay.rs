//! How long a stop may take to arrive.

use crate::rig::serial_line::SerialLine;

/// Longest time from the decision to stop until the starter has answered, s of wall time.
///
/// With a second connection the stop leaves at once: one time-out covers its answer. Without one the bus may be in a
/// transaction with a dead neighbour, which holds it for one more time-out. On a serial line the silence demanded after
/// a dead neighbour and the time on the wire come on top ([`SerialLine::worst_stop_delay_s`]). Status polls never queue
/// ahead of a stop.
pub fn worst_stop_delay_s(timeout_s: f64, second_stop_connection: bool, serial: Option<&SerialLine>) -> f64 {
    match serial {
        Some(line) => line.worst_stop_delay_s(timeout_s),
        None if second_stop_connection => timeout_s,
        None => 2.0 * timeout_s,
    }
}
