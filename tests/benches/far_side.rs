//! The far side of a bus for the benches of stops: a device that stamps a stop when its bytes are there. Zeros
//! everywhere but the identities, so that every stop is shown accepted; writes are echoed.
#![allow(dead_code, reason = "each bench uses its part")]

use ramprig::clock::{SystemClock, WallClock};
use ramprig::rig::model::Rig;
use ramprig::rig::register_map::{Role, Table};
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

/// Called first in every thread of the far side.
pub type Begin = Arc<dyn Fn() + Send + Sync>;

/// Answer for every device of `rig` on a port of its own, which is put into the first link; gives the stamps, in ns, of
/// the stops that the starter `starter` gets by coil.
pub fn attach(rig: &mut Rig, starter: usize, begin: Begin) -> Receiver<u64> {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    rig.links[0].address = listener.local_addr().unwrap().to_string();
    let (stamps, arrived) = sync_channel(1024);
    let identities = identities(rig);
    let unit = rig.starters[starter].unit;
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let (stamps, identities, begin) = (stamps.clone(), identities.clone(), Arc::clone(&begin));
            std::thread::spawn(move || {
                begin();
                serve(stream, unit, &identities, &stamps);
            });
        }
    });
    arrived
}

fn identities(rig: &Rig) -> Vec<(u8, u16)> {
    let of = |unit: u8, map: &ramprig::rig::register_map::RegisterMap| {
        let field = map.field(Role::Identity).unwrap();
        assert_eq!((field.table, field.address), (Table::Input, 0), "the far side below knows this place only");
        (unit, field.expect.unwrap())
    };
    let mut all: Vec<_> = rig.starters.iter().map(|starter| of(starter.unit, &starter.map)).collect();
    all.extend(rig.transfer.iter().map(|transfer| of(transfer.unit, &transfer.map)));
    all
}

fn serve(mut stream: TcpStream, unit: u8, identities: &[(u8, u16)], stamps: &SyncSender<u64>) {
    stream.set_nodelay(true).unwrap();
    let mut request = [0_u8; 12];
    while stream.read_exact(&mut request).is_ok() {
        let now_ns = SystemClock.now_ns();
        let [asked, function] = [request[6], request[7]];
        if asked == unit && function == 5 && request[8..12] == [0, 0, 0, 0] {
            let _ = stamps.try_send(now_ns);
        }
        let count = usize::from(u16::from_be_bytes([request[10], request[11]]));
        let pdu = match function {
            1 | 2 => [vec![function, count.div_ceil(8) as u8], vec![0; count.div_ceil(8)]].concat(),
            3 | 4 => {
                let mut words = vec![0_u8; 2 * count];
                if function == 4 && request[8..10] == [0, 0] {
                    let identity = identities.iter().find(|(unit, _)| *unit == asked).map_or(0, |(_, word)| *word);
                    words[..2].copy_from_slice(&identity.to_be_bytes());
                }
                [vec![function, 2 * count as u8], words].concat()
            }
            _ => request[7..12].to_vec(),
        };
        let head = [request[0], request[1], 0, 0, 0, pdu.len() as u8 + 1, asked];
        if stream.write_all(&[head.to_vec(), pdu].concat()).is_err() {
            break;
        }
    }
}

/// Smallest value that at least `share` of the sorted values do not exceed.
pub fn percentile(sorted: &[f64], share: f64) -> f64 {
    sorted[((share * sorted.len() as f64).ceil() as usize).max(1) - 1]
}

/// The middle one.
pub fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}
