//! A device that keeps blocks of samples behind registers, on plain sockets; it shares no code with the codec under test.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::{Arc, Condvar, Mutex};

pub const UNIT: u8 = 9;
pub const SIGNATURE: u16 = 0x4231;
/// Frames in a block.
pub const FRAMES: u16 = 5;
/// Slots.
pub const KEPT: u16 = 256;
const IDENTITY_AT: usize = 0;
const NUMBER_AT: usize = 8;
const FIRST: usize = 100;

/// Where the source finds it all.
pub fn registers() -> ramprig::rig::model::BlockRegisters {
    ramprig::rig::model::BlockRegisters {
        unit: UNIT,
        table: ramprig::rig::register_map::Table::Input,
        identity: (IDENTITY_AT as u16, SIGNATURE),
        number: NUMBER_AT as u16,
        first: FIRST as u16,
        frames: FRAMES,
        kept: KEPT,
    }
}

/// What is wrong with every answer from now on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bad {
    /// Of the request before.
    Transaction,
    Unit,
    Function,
    /// The header names another protocol than Modbus.
    Protocol,
    /// Fewer registers than asked for.
    Short,
    /// More.
    Long,
    /// An exception of this code.
    Exception(u8),
    /// A header that promises more than a frame may hold.
    Endless,
    /// The connection is reset after so many bytes.
    Reset(usize),
}

impl Bad {
    fn spoil(self, mut answer: Vec<u8>) -> Vec<u8> {
        match self {
            Self::Transaction => answer[1] = answer[1].wrapping_sub(1),
            Self::Unit => answer[6] ^= 1,
            Self::Function => answer[7] = 3,
            Self::Protocol => answer[3] = 1,
            Self::Short => {
                answer.truncate(answer.len() - 2);
                (answer[5], answer[8]) = (answer[5] - 2, answer[8] - 2);
            }
            Self::Long => {
                answer.extend([0, 0]);
                (answer[5], answer[8]) = (answer[5] + 2, answer[8] + 2);
            }
            Self::Exception(code) => {
                answer.truncate(7);
                answer.extend([0x84, code]);
                answer[5] = 3;
            }
            Self::Endless => (answer[4], answer[5]) = (0xFF, 0xFF),
            Self::Reset(bytes) => answer.truncate(bytes),
        }
        answer
    }
}

struct State {
    memory: Vec<u16>,
    /// Times the number of the newest block was asked for.
    asked: u32,
    connection: Option<TcpStream>,
    /// Overwrite the block that is being read: once, after its first registers went out.
    tear: bool,
    bad: Option<Bad>,
    /// One byte at a time.
    trickles: bool,
}

/// See the module's documentation.
#[derive(Clone)]
pub struct BlockDevice {
    channels: usize,
    state: Arc<(Mutex<State>, Condvar)>,
}

impl BlockDevice {
    /// Serves one connection of a listener, from a block number on.
    pub fn serve(listener: &TcpListener, channels: usize, newest: u16) -> Self {
        let (stream, _) = listener.accept().unwrap();
        let mut memory = vec![0; 65_536];
        memory[IDENTITY_AT] = SIGNATURE;
        memory[NUMBER_AT] = newest;
        let connection = Some(stream.try_clone().unwrap());
        let state = State { memory, asked: 0, connection, tear: false, bad: None, trickles: false };
        let device = Self { channels, state: Arc::new((Mutex::new(state), Condvar::new())) };
        let inside = device.clone();
        std::thread::spawn(move || inside.answer_all(stream));
        // What is written before the source has looked once is history to it.
        let (lock, changed) = &*device.state;
        drop(changed.wait_while(lock.lock().unwrap(), |state| state.asked == 0).unwrap());
        device
    }

    fn answer_all(&self, mut stream: TcpStream) {
        let mut request = [0_u8; 12];
        while stream.read_exact(&mut request).is_ok() {
            let word = |at: usize| u16::from_be_bytes([request[at], request[at + 1]]);
            assert_eq!((word(2), word(4), request[6], request[7]), (0, 6, UNIT, 4), "only reads of input registers");
            let (address, count) = (usize::from(word(8)), usize::from(word(10)));
            assert!((1..=125).contains(&count), "{count} registers in one read");
            let mut state = self.state.0.lock().unwrap();
            state.asked += u32::from(address == NUMBER_AT);
            let data: Vec<u8> = state.memory[address..address + count].iter().flat_map(|r| r.to_be_bytes()).collect();
            if address >= FIRST && count > 1 && std::mem::take(&mut state.tear) {
                // The device has come round to this very slot.
                state.memory[address] = state.memory[address].wrapping_add(KEPT);
            }
            let (bad, trickles) = (state.bad, state.trickles);
            drop(state);
            self.state.1.notify_all();
            let mut answer = request[..4].to_vec();
            answer.extend((data.len() as u16 + 3).to_be_bytes());
            answer.extend([UNIT, 4, data.len() as u8]);
            answer.extend(data);
            let answer = bad.map_or(answer.clone(), |bad| bad.spoil(answer));
            let piece = if trickles { 1 } else { answer.len().max(1) };
            if answer.chunks(piece).any(|piece| stream.write_all(piece).is_err()) {
                return;
            }
            if matches!(bad, Some(Bad::Reset(_))) {
                let _ = stream.shutdown(Shutdown::Both);
                return;
            }
        }
    }

    /// Blocks of these samples; a block's number is written before its samples, the newest number last.
    pub fn write(&self, samples: &[i32]) {
        let slot = 1 + usize::from(FRAMES) * self.channels;
        for block in samples.chunks(slot - 1) {
            assert_eq!(block.len(), slot - 1, "whole blocks");
            let mut state = self.state.0.lock().unwrap();
            let number = state.memory[NUMBER_AT].wrapping_add(1);
            let at = FIRST + usize::from(number.wrapping_sub(1) % KEPT) * slot;
            state.memory[at] = number;
            for (register, sample) in state.memory[at + 1..].iter_mut().zip(block) {
                *register = i16::try_from(*sample).unwrap().cast_unsigned();
            }
            state.memory[NUMBER_AT] = number;
        }
    }

    /// So many frames pass whose blocks are overwritten before anybody can read them.
    pub fn lose(&self, frames: u32) {
        let blocks = frames / u32::from(FRAMES);
        assert_eq!(blocks * u32::from(FRAMES), frames, "whole blocks");
        let mut state = self.state.0.lock().unwrap();
        state.memory[NUMBER_AT] = state.memory[NUMBER_AT].wrapping_add(blocks as u16);
    }

    /// The next block is overwritten while it is read.
    pub fn tear_the_next(&self) {
        self.state.0.lock().unwrap().tear = true;
    }

    /// From now on every answer is spoilt so.
    pub fn turn_bad(&self, bad: Bad) {
        self.state.0.lock().unwrap().bad = Some(bad);
    }

    /// From now on answers come a byte at a time.
    pub fn trickle(&self) {
        self.state.0.lock().unwrap().trickles = true;
    }

    /// The device was started anew: it counts from here.
    pub fn count_from(&self, newest: u16) {
        self.state.0.lock().unwrap().memory[NUMBER_AT] = newest;
    }

    pub fn hang_up(&self) {
        if let Some(connection) = self.state.0.lock().unwrap().connection.take() {
            let _ = connection.shutdown(Shutdown::Both);
        }
    }
}
