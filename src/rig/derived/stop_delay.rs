//! How long a stop may take to arrive.

/// Longest time from the decision to stop until the starter has answered, s of wall time.
///
/// With a second connection the stop leaves at once: one time-out covers its answer. Without one the bus may be in a
/// transaction with a dead neighbour, which holds it for one more time-out. Status polls never queue ahead of a stop.
pub fn worst_stop_delay_s(timeout_s: f64, second_stop_connection: bool) -> f64 {
    if second_stop_connection { timeout_s } else { 2.0 * timeout_s }
}
