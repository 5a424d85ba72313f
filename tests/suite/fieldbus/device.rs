//! A Modbus TCP device for tests, written on plain sockets so that it can misbehave at will. It shares no code with the
//! codec under test. It answers for every unit of a rig, knows the simplest starters, keeps a log of every request in the
//! order of arrival, and asks a script what to do with each honest answer.

use ramprig::rig::model::Rig;
use ramprig::rig::register_map::{Field, RegisterMap, Role, Table};
use std::collections::HashMap;
use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::{Arc, Condvar, Mutex, MutexGuard};
use std::time::Duration;

/// Generous: no test is decided by it.
pub const PATIENCE: Duration = Duration::from_secs(20);

/// A request as it arrived.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    pub connection: usize,
    pub unit: u8,
    pub transaction: u16,
    pub pdu: Vec<u8>,
}

impl Seen {
    pub fn is_write(&self) -> bool {
        matches!(self.pdu[0], 5 | 6 | 15 | 16 | 22)
    }
    fn word(&self, at: usize) -> u16 {
        u16::from_be_bytes([self.pdu[at], self.pdu[at + 1]])
    }
    /// (table, address, raw) of a single write.
    pub fn write(&self) -> Option<(Table, u16, u16)> {
        match self.pdu[0] {
            5 => Some((Table::Coil, self.word(1), u16::from(self.word(3) != 0))),
            6 => Some((Table::Holding, self.word(1), self.word(3))),
            _ => None,
        }
    }
    /// (table, address, count) of a read.
    pub fn read(&self) -> Option<(Table, u16, u16)> {
        Some((table_of(self.pdu[0])?, self.word(1), self.word(3)))
    }
    pub fn reads(&self, field: &Field) -> bool {
        self.read().is_some_and(|(table, first, count)| {
            table == field.table && (first..first + count).contains(&field.address)
        })
    }
}

fn table_of(function: u8) -> Option<Table> {
    match function {
        1 => Some(Table::Coil),
        2 => Some(Table::DiscreteInput),
        3 => Some(Table::Holding),
        4 => Some(Table::Input),
        _ => None,
    }
}

/// What the device does instead of answering honestly.
#[derive(Debug, Clone, PartialEq)]
pub enum Act {
    /// Send the honest answer.
    Honest,
    /// Send these bytes.
    Send(Vec<u8>),
    /// Send these bytes one a packet.
    Trickle(Vec<u8>),
    /// Send these bytes and close the connection.
    SendAndClose(Vec<u8>),
    /// Send these bytes and reset the connection.
    SendAndReset(Vec<u8>),
    /// Nothing, for ever.
    Silent,
    /// Each of these after its delay, whatever comes meanwhile.
    Late(Vec<(Duration, Vec<u8>)>),
    /// Wait for [`Device::release`], then send the honest answer. What comes meanwhile is logged and waits its turn.
    Hold,
    /// As fast as it goes until the far side hangs up.
    Flood(Vec<u8>),
}

type Script = Box<dyn FnMut(&Seen, &[u8]) -> Act + Send>;
type Memory = HashMap<(u8, Table, u16), u16>;

struct World {
    maps: HashMap<u8, RegisterMap>,
    state: Mutex<State>,
    changed: Condvar,
}

struct State {
    memory: Memory,
    log: Vec<Seen>,
    script: Script,
    held: bool,
    accepting: bool,
    connections: Vec<TcpStream>,
    /// So many stop writes have no effect on the status yet.
    deaf_stops: u32,
}

/// See the module's documentation.
pub struct Device {
    pub address: String,
    world: Arc<World>,
}

impl Device {
    /// A device for all units of `rig`, whose links are pointed at it.
    pub fn for_rig(rig: &mut Rig) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap().to_string();
        rig.links.iter_mut().for_each(|link| link.address.clone_from(&address));
        let mut maps: HashMap<u8, RegisterMap> = rig.starters.iter().map(|s| (s.unit, s.map.clone())).collect();
        maps.extend(rig.transfer.iter().map(|transfer| (transfer.unit, transfer.map.clone())));
        maps.extend(rig.devices.iter().map(|device| (device.unit, device.map.clone())));
        let mut memory = Memory::new();
        for (unit, map) in &maps {
            for field in map.fields.values() {
                for place in 0..field.registers() {
                    memory.entry((*unit, field.table, field.address + place)).or_insert(0);
                }
                if let Some(expected) = field.expect {
                    memory.insert((*unit, field.table, field.address), expected);
                }
            }
        }
        for starter in &rig.starters {
            put(&mut memory, starter.unit, &starter.map, Role::CommTimeout, 500);
            put(&mut memory, starter.unit, &starter.map, Role::StatusWord, 0x40);
        }
        let state = State {
            memory,
            log: Vec::new(),
            script: Box::new(|_, _| Act::Honest),
            held: false,
            accepting: true,
            connections: Vec::new(),
            deaf_stops: 0,
        };
        let world = Arc::new(World { maps, state: Mutex::new(state), changed: Condvar::new() });
        let inside = Arc::clone(&world);
        std::thread::spawn(move || listener.incoming().flatten().for_each(|stream| inside.accept(stream)));
        Self { address, world }
    }

    /// The honest answer to a request that came another way, logged like the others.
    pub fn answer_pdu(&self, seen: &Seen) -> Vec<u8> {
        let mut state = self.world.lock();
        state.log.push(seen.clone());
        let pdu = self.world.respond(&mut state, seen);
        drop(state);
        self.world.changed.notify_all();
        pdu
    }

    /// Ask `script` about every answer from now on.
    pub fn script(&self, script: impl FnMut(&Seen, &[u8]) -> Act + Send + 'static) {
        self.world.lock().script = Box::new(script);
    }

    pub fn honest(&self) {
        self.script(|_, _| Act::Honest);
    }

    /// Let held answers go; later `Hold`s hold again.
    pub fn release(&self) {
        self.world.lock().held = false;
        self.world.changed.notify_all();
    }

    /// Wait until an answer is held.
    pub fn wait_held(&self) {
        let waited = self.world.changed.wait_timeout_while(self.world.lock(), PATIENCE, |state| !state.held).unwrap();
        assert!(!waited.1.timed_out(), "no answer came to be held");
    }

    /// Close all connections; with `accepting` false new ones are closed at once too.
    pub fn cut_connections(&self, accepting: bool) {
        let mut state = self.world.lock();
        state.accepting = accepting;
        state.connections.drain(..).for_each(|stream| drop(stream.shutdown(Shutdown::Both)));
        self.world.changed.notify_all();
    }

    pub fn deaf_stops(&self, count: u32) {
        self.world.lock().deaf_stops = count;
    }

    pub fn log(&self) -> Vec<Seen> {
        self.world.lock().log.clone()
    }

    pub fn log_len(&self) -> usize {
        self.world.lock().log.len()
    }

    pub fn writes(&self) -> Vec<Seen> {
        self.log().into_iter().filter(Seen::is_write).collect()
    }

    /// Raw values written to `role` of `unit`, in order of arrival.
    pub fn written(&self, unit: u8, role: Role) -> Vec<u16> {
        let field = *self.world.maps[&unit].field(role).unwrap();
        let hits =
            |seen: Seen| seen.write().filter(|w| seen.unit == unit && (w.0, w.1) == (field.table, field.address));
        self.log().into_iter().filter_map(hits).map(|write| write.2).collect()
    }

    pub fn get(&self, unit: u8, role: Role) -> u16 {
        let field = *self.world.maps[&unit].field(role).unwrap();
        self.world.lock().memory[&(unit, field.table, field.address)]
    }

    pub fn set(&self, unit: u8, role: Role, raw: u16) {
        put(&mut self.world.lock().memory, unit, &self.world.maps[&unit], role, raw);
    }

    pub fn register(&self, unit: u8, table: Table, address: u16) -> u16 {
        self.world.lock().memory[&(unit, table, address)]
    }

    pub fn set_register(&self, unit: u8, table: Table, address: u16, raw: u16) {
        self.world.lock().memory.insert((unit, table, address), raw);
    }

    /// Wait until the log satisfies `holds`; the log's length then.
    pub fn wait_log(&self, what: &str, mut holds: impl FnMut(&[Seen]) -> bool) -> usize {
        let guard = self.world.lock();
        let waited = self.world.changed.wait_timeout_while(guard, PATIENCE, |state| !holds(&state.log)).unwrap();
        assert!(!waited.1.timed_out(), "never saw: {what}; last of the log: {:#?}", waited.0.log.last());
        waited.0.log.len()
    }
}

fn put(memory: &mut Memory, unit: u8, map: &RegisterMap, role: Role, raw: u16) {
    if let Some(field) = map.field(role) {
        // Of wide numbers this device sets only plain ones, highest word first.
        memory.insert((unit, field.table, field.address + field.registers() - 1), raw);
    }
}

impl World {
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap()
    }

    fn accept(self: &Arc<Self>, stream: TcpStream) {
        let mut state = self.lock();
        if !state.accepting {
            return;
        }
        stream.set_nodelay(true).unwrap();
        let number = state.connections.len() + state.log.iter().map(|seen| seen.connection + 1).max().unwrap_or(0);
        state.connections.push(stream.try_clone().unwrap());
        drop(state);
        let (requests, queue) = std::sync::mpsc::sync_channel::<Seen>(4096);
        let (reader, answerer) = (Arc::clone(self), Arc::clone(self));
        let mut incoming = stream.try_clone().unwrap();
        std::thread::spawn(move || {
            while let Some(seen) = read_request(&mut incoming, number) {
                reader.lock().log.push(seen.clone());
                reader.changed.notify_all();
                if requests.send(seen).is_err() {
                    break;
                }
            }
        });
        std::thread::spawn(move || {
            let mut stream = stream;
            for seen in queue {
                if answerer.answer(&mut stream, &seen).is_err() {
                    break;
                }
            }
            let _ = stream.shutdown(Shutdown::Both);
        });
    }

    fn answer(&self, stream: &mut TcpStream, seen: &Seen) -> std::io::Result<()> {
        let (honest, act) = {
            let mut state = self.lock();
            let pdu = self.respond(&mut state, seen);
            let honest = adu(seen.transaction, seen.unit, &pdu);
            let act = (state.script)(seen, &honest);
            state.held |= act == Act::Hold;
            (honest, act)
        };
        self.changed.notify_all();
        match act {
            Act::Honest => stream.write_all(&honest),
            Act::Send(bytes) => stream.write_all(&bytes),
            Act::Trickle(bytes) => bytes.iter().try_for_each(|byte| stream.write_all(&[*byte])),
            Act::SendAndClose(bytes) => {
                stream.write_all(&bytes)?;
                Err(std::io::ErrorKind::ConnectionReset.into())
            }
            Act::SendAndReset(bytes) => {
                stream.write_all(&bytes)?;
                // Closed with a linger of zero: a reset instead of an end.
                rustix::net::sockopt::set_socket_linger(&*stream, Some(Duration::ZERO))?;
                Err(std::io::ErrorKind::ConnectionReset.into())
            }
            Act::Silent => Ok(()),
            Act::Late(pieces) => {
                for (delay, bytes) in pieces {
                    let mut stream = stream.try_clone()?;
                    std::thread::spawn(move || {
                        std::thread::sleep(delay);
                        let _ = stream.write_all(&bytes);
                    });
                }
                Ok(())
            }
            Act::Hold => {
                drop(self.changed.wait_while(self.lock(), |state| state.held).unwrap());
                stream.write_all(&honest)
            }
            Act::Flood(bytes) => loop {
                stream.write_all(&bytes)?;
            },
        }
    }

    /// The honest response PDU; writes take effect here.
    fn respond(&self, state: &mut State, seen: &Seen) -> Vec<u8> {
        let function = seen.pdu[0];
        if let Some((table, first, count)) = seen.read() {
            let values: Option<Vec<u16>> =
                (first..first + count).map(|at| state.memory.get(&(seen.unit, table, at)).copied()).collect();
            return match values {
                None => vec![function | 0x80, 2],
                Some(values) if function <= 2 => bits_pdu(function, &values),
                Some(values) => {
                    let bytes = values.iter().flat_map(|value| value.to_be_bytes());
                    [function, 2 * count as u8].into_iter().chain(bytes).collect()
                }
            };
        }
        if function == 16 {
            return self.write_many(state, seen);
        }
        if function == 22 {
            return self.write_masked(state, seen);
        }
        match seen.write() {
            Some((table, address, raw)) if state.memory.contains_key(&(seen.unit, table, address)) => {
                state.memory.insert((seen.unit, table, address), raw);
                self.react(state, seen.unit, table, address, raw);
                seen.pdu.clone()
            }
            Some(_) => vec![function | 0x80, 2],
            None => vec![function | 0x80, 1],
        }
    }

    /// FC 22.
    fn write_masked(&self, state: &mut State, seen: &Seen) -> Vec<u8> {
        let (address, and, or) = (seen.word(1), seen.word(3), seen.word(5));
        let Some(register) = state.memory.get_mut(&(seen.unit, Table::Holding, address)) else {
            return vec![22 | 0x80, 2];
        };
        *register = *register & and | or & !and;
        let raw = *register;
        self.react(state, seen.unit, Table::Holding, address, raw);
        seen.pdu.clone()
    }

    /// FC 16, all registers or none.
    fn write_many(&self, state: &mut State, seen: &Seen) -> Vec<u8> {
        let first = seen.word(1);
        let values = seen.pdu[6..].chunks_exact(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]]));
        let cells: Vec<_> = (first..).zip(values).map(|(at, value)| ((seen.unit, Table::Holding, at), value)).collect();
        if cells.iter().any(|(key, _)| !state.memory.contains_key(key)) {
            return vec![16 | 0x80, 2];
        }
        state.memory.extend(cells);
        seen.pdu[..5].to_vec()
    }

    fn react(&self, state: &mut State, unit: u8, table: Table, address: u16, raw: u16) {
        let here = |field: &Field| (field.table, field.address) == (table, address);
        let fields: Vec<_> = self.maps[&unit].fields.iter().filter(|(_, field)| here(field)).collect();
        for (role, field) in fields {
            let raw = field.bit.map_or(raw, |bit| raw >> bit & 1);
            self.react_to(state, unit, Some(*role), raw);
        }
    }

    fn react_to(&self, state: &mut State, unit: u8, role: Option<Role>, raw: u16) {
        let map = &self.maps[&unit];
        let is_stop = matches!((role, raw), (Some(Role::Run), 0) | (Some(Role::Cut), 1))
            || (role == Some(Role::ControlWord) && matches!(raw, 0 | 2));
        if is_stop && state.deaf_stops > 0 {
            state.deaf_stops -= 1;
            return;
        }
        match role {
            Some(Role::Run) => set_output(state, unit, map, raw),
            Some(Role::Cut) if raw == 1 => set_output(state, unit, map, 0),
            Some(Role::TransferSelect) => put(&mut state.memory, unit, map, Role::TransferPosition, raw),
            Some(Role::ControlWord) => {
                let word = map.field(Role::StatusWord).unwrap();
                let status = state.memory[&(unit, word.table, word.address)];
                put(&mut state.memory, unit, map, Role::StatusWord, next_status(status, raw));
            }
            _ => {}
        }
    }
}

fn set_output(state: &mut State, unit: u8, map: &RegisterMap, on: u16) {
    put(&mut state.memory, unit, map, Role::Running, on);
    put(&mut state.memory, unit, map, Role::AtSpeed, on);
}

/// The drive's side, one line a transition of IEC 61800-7-201 (from memory).
fn next_status(status: u16, control: u16) -> u16 {
    match (status & 0x6F, control & 0x8F) {
        (0x40 | 0x60, 0x06) => 0x31,
        (0x21, 0x07) => 0x33,
        (0x23, 0x0F) => 0x437,
        (0x27, 0x02) => 0x17,
        (0x27, 0x06) => 0x31,
        (0x08, 0x80) => 0x50,
        (0x21 | 0x23 | 0x27 | 0x07, 0x00) => 0x50,
        _ => status,
    }
}

fn bits_pdu(function: u8, values: &[u16]) -> Vec<u8> {
    let mut bytes = vec![0_u8; values.len().div_ceil(8)];
    values.iter().enumerate().for_each(|(at, value)| bytes[at / 8] |= u8::from(*value != 0) << (at % 8));
    [function, bytes.len() as u8].into_iter().chain(bytes).collect()
}

/// A frame by hand.
pub fn adu(transaction: u16, unit: u8, pdu: &[u8]) -> Vec<u8> {
    let [high, low] = transaction.to_be_bytes();
    [high, low, 0, 0, 0, pdu.len() as u8 + 1, unit].into_iter().chain(pdu.iter().copied()).collect()
}

fn read_request(stream: &mut TcpStream, connection: usize) -> Option<Seen> {
    let mut header = [0_u8; 7];
    stream.read_exact(&mut header).ok()?;
    let mut pdu = vec![0_u8; usize::from(u16::from_be_bytes([header[4], header[5]])) - 1];
    stream.read_exact(&mut pdu).ok()?;
    let transaction = u16::from_be_bytes([header[0], header[1]]);
    Some(Seen { connection, unit: header[6], transaction, pdu })
}
