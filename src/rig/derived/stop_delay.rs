//! How long a stop may take to arrive.

use crate::rig::serial_line::SerialLine;

/// Longest time from the decision to stop until the starter has answered, s of wall time, while its device still answers.
///
/// On TCP the first attempt may find its connection dead: it waits one time-out for an answer that never comes, a new
/// connection may take one more to open, the answer to the stop on it a third. Before that the device may be at work on
/// another request: behind a gateway one for a dead neighbour (`neighbours`), without a second connection one of our own;
/// either holds it for one more. On a serial line the silence demanded after a dead neighbour and the time on the wire
/// come on top ([`SerialLine::worst_stop_delay_s`]). Status polls never queue ahead of a stop.
pub fn worst_stop_delay_s(
    timeout_s: f64,
    second_stop_connection: bool,
    neighbours: bool,
    serial: Option<&SerialLine>,
) -> f64 {
    let ahead = if neighbours || !second_stop_connection { 1.0 } else { 0.0 };
    serial.map_or((3.0 + ahead) * timeout_s, |line| line.worst_stop_delay_s(timeout_s))
}
