//! From the call of a stop line to the stop's bytes at the far side, over TCP on this machine: on a bus that idles, on
//! one that polls as fast as it can, and on a busy one without a second connection. The far side stamps the bytes when
//! its reading thread has them, so the figures include that thread's wake-up.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    clippy::disallowed_methods,
    missing_docs,
    reason = "a bench"
)]

use hdf5 as _;

mod far_side;
mod stop_key;
use stop_key::{ROUNDS, STOPS_A_ROUND};

fn main() {
    let found = stop_key::measure();
    let ([idle, busy, single], [idle_p50, busy_p50, single_p50]) = (found.p99_ms, found.p50_ms);
    println!(
        "# {} stops on each of three buses, median of {ROUNDS} rounds; abs lines: ours, then an idle bus",
        ROUNDS * STOPS_A_ROUND
    );
    println!("ratio stop_key_p99_ms {:.3}", found.stop_key_p99_ms());
    println!("abs stop_line_to_bytes_p99_busy {busy:.3} {idle:.3} ms");
    println!("abs stop_line_to_bytes_p50_busy {busy_p50:.3} {idle_p50:.3} ms");
    println!("abs stop_line_to_bytes_p99_busy_one_connection {single:.3} {idle:.3} ms");
    println!("abs stop_line_to_bytes_p50_busy_one_connection {single_p50:.3} {idle_p50:.3} ms");
    let worst = found.worst_ms;
    println!("abs stop_line_to_bytes_worst_busy {:.3} {:.3} ms", worst[1].max(worst[2]), worst[0]);
    println!("# from a key, a button, a call, a signal on: .ci/campaign ways-to-stop");
    println!("# requests answered meanwhile, idle, busy, busy with one connection: {:?}", found.answered);
}
