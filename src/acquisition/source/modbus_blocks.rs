//! Samples that a device keeps in blocks behind registers, read over a Modbus TCP connection of our own. Nothing is written.
//!
//! A turn asks for the number of the newest block; a block that is new is read register by register in turns of at most 125, and
//! its number once more behind them: [`BlockRegisters`] says why that shows a block that was overwritten meanwhile. Blocks that
//! were overwritten before they were read are missing frames. A number that goes back (the device was started anew) ends the
//! stream, since frame indices could not be trusted after it.
//!
//! One transaction a call: orders to the sampling thread are seen between them.

use super::{Source, SourceError};
use crate::acquisition::depacketizer::StreamCounts;
use crate::clock::WallClock;
use crate::modbus::frame::{Answer, READ_REGISTERS_MAX, Request, Splitter};
use crate::rig::model::BlockRegisters;
use crate::signal::Block;
use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::sync::Arc;

/// An answer that takes longer costs the connection, ns.
const ANSWER_NS: u64 = 500_000_000;
/// The number is asked for this often while a block fills.
const LOOKS_A_BLOCK: f64 = 4.0;

/// What is asked next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Step {
    /// The signature.
    Identity,
    /// The number of the newest block.
    Number,
    /// Registers of the wanted block, from this one on.
    Piece(u16),
    /// Its number once more.
    Again,
}

/// The source.
pub struct ModbusBlocks {
    address: String,
    at: BlockRegisters,
    channels: usize,
    look_ns: u64,
    clock: Arc<dyn WallClock>,
    stream: Option<TcpStream>,
    splitter: Splitter,
    transaction: u16,
    /// The request that is out, and when it left.
    out: Option<(Request, u64)>,
    step: Step,
    /// Not before this wall time, ns.
    from_ns: u64,
    /// Number of the block that is wanted; `None`: the next one, whatever its number.
    wanted: Option<u16>,
    registers: Vec<u16>,
    next_frame: u64,
    gap: u64,
    counts: StreamCounts,
}

impl ModbusBlocks {
    /// Connect.
    ///
    /// # Errors
    /// No connection.
    pub fn open(
        address: &str,
        at: BlockRegisters,
        channels: usize,
        rate_hz: f64,
        clock: Arc<dyn WallClock>,
    ) -> Result<Self, SourceError> {
        let block_s = f64::from(at.frames) / rate_hz;
        Ok(Self {
            address: address.to_owned(),
            at,
            channels,
            look_ns: (block_s / LOOKS_A_BLOCK * 1e9) as u64,
            clock,
            stream: Some(super::rtp_tcp::connect(address)?),
            splitter: Splitter::default(),
            transaction: 0,
            out: None,
            step: Step::Identity,
            from_ns: 0,
            wanted: None,
            registers: Vec::new(),
            next_frame: 0,
            gap: 0,
            counts: StreamCounts::default(),
        })
    }

    fn slot_registers(&self) -> u16 {
        // A checked rig has slots that fit into the device's 65 536 registers.
        (1 + usize::from(self.at.frames) * self.channels) as u16
    }

    fn slot(&self) -> u16 {
        let block = self.wanted.unwrap_or(1).wrapping_sub(1) % self.at.kept;
        self.at.first + block * self.slot_registers()
    }

    fn request(&self) -> Request {
        let (address, count) = match self.step {
            Step::Identity => (self.at.identity.0, 1),
            Step::Number => (self.at.number, 1),
            Step::Piece(from) => (self.slot() + from, READ_REGISTERS_MAX.min(self.slot_registers() - from)),
            Step::Again => (self.slot(), 1),
        };
        Request::Read { table: self.at.table, address, count }
    }

    fn broken(&self, reason: String) -> SourceError {
        SourceError::Read { address: self.address.clone(), reason }
    }

    /// Send what is due, or take what came.
    fn turn(&mut self, blocks: &mut Vec<Block>) -> Result<(), SourceError> {
        let now_ns = self.clock.now_ns();
        if self.out.is_none() && now_ns >= self.from_ns {
            self.send(now_ns)?;
        }
        self.receive()?;
        while let Some(frame) = self.splitter.next_frame().map_err(|error| self.broken(error.to_string()))? {
            let Some((request, _)) = self.out.take() else {
                return Err(self.broken("an answer that nobody asked for".to_owned()));
            };
            if (frame.transaction, frame.unit) != (self.transaction, self.at.unit) {
                return Err(self.broken(format!(
                    "an answer of transaction {}, unit {}, asked: {}, {}",
                    frame.transaction, frame.unit, self.transaction, self.at.unit
                )));
            }
            match request.check(&frame.pdu) {
                Ok(Answer::Values(values)) => self.answered(&values, blocks)?,
                Ok(Answer::Written) => return Err(self.broken("the answer of a write".to_owned())),
                Err(error) => return Err(self.broken(error.to_string())),
            }
        }
        match &self.out {
            Some((_, sent_ns)) if self.clock.now_ns().saturating_sub(*sent_ns) > ANSWER_NS => {
                Err(self.broken(format!("no answer within {} ms", ANSWER_NS / 1_000_000)))
            }
            _ => Ok(()),
        }
    }

    fn send(&mut self, now_ns: u64) -> Result<(), SourceError> {
        self.transaction = self.transaction.wrapping_add(1);
        let request = self.request();
        let bytes = request.adu(self.transaction, self.at.unit).map_err(|error| self.broken(error.to_string()))?;
        let address = self.address.clone();
        let stream = self.stream.as_mut().ok_or_else(|| SourceError::NotOpen { address: address.clone() })?;
        stream.write_all(&bytes).map_err(|error| SourceError::Read { address, reason: error.to_string() })?;
        self.out = Some((request, now_ns));
        Ok(())
    }

    /// Waits a short while for bytes.
    fn receive(&mut self) -> Result<(), SourceError> {
        let address = self.address.clone();
        let stream = self.stream.as_mut().ok_or_else(|| SourceError::NotOpen { address: address.clone() })?;
        let mut chunk = [0_u8; 512];
        match stream.read(&mut chunk) {
            Ok(0) => Err(SourceError::Closed { address, pending: self.splitter.pending_bytes() }),
            Ok(count) => {
                self.splitter.push(&chunk[..count]);
                Ok(())
            }
            Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted) => {
                Ok(())
            }
            Err(e) => Err(SourceError::Read { address, reason: e.to_string() }),
        }
    }

    fn answered(&mut self, values: &[u16], blocks: &mut Vec<Block>) -> Result<(), SourceError> {
        let first = values.first().copied().unwrap_or(0);
        match self.step {
            Step::Identity if first == self.at.identity.1 => self.step = Step::Number,
            Step::Identity => {
                let expected = self.at.identity.1;
                return Err(self.broken(format!("another device: signature {first:#06x}, must be {expected:#06x}")));
            }
            Step::Number => self.newest(first)?,
            Step::Piece(from) => {
                self.registers.extend_from_slice(values);
                let next = from + values.len() as u16;
                self.step = if next < self.slot_registers() { Step::Piece(next) } else { Step::Again };
            }
            Step::Again => self.whole(first, blocks),
        }
        Ok(())
    }

    /// How far the device has come.
    fn newest(&mut self, newest: u16) -> Result<(), SourceError> {
        let wanted = *self.wanted.get_or_insert(newest.wrapping_add(1));
        let ready = newest.wrapping_add(1).wrapping_sub(wanted);
        if ready == 0 {
            self.from_ns = self.clock.now_ns() + self.look_ns;
            return Ok(());
        }
        if ready > u16::MAX / 2 {
            return Err(self.broken(format!("the device counts its blocks anew: {newest} after {wanted}")));
        }
        // The slot behind the newest block is being written.
        let lost = (ready + 1).saturating_sub(self.at.kept);
        self.lose(lost);
        self.registers.clear();
        self.step = Step::Piece(0);
        Ok(())
    }

    fn lose(&mut self, blocks: u16) {
        let frames = u64::from(blocks) * u64::from(self.at.frames);
        self.wanted = self.wanted.map(|wanted| wanted.wrapping_add(blocks));
        self.next_frame += frames;
        self.gap += frames;
        self.counts.packets_lost += u64::from(blocks);
        self.counts.frames_missing += frames;
    }

    /// All registers of the wanted block are in: they are its own if its number stands before and behind them.
    fn whole(&mut self, again: u16, blocks: &mut Vec<Block>) {
        self.step = Step::Number;
        self.from_ns = 0;
        let wanted = self.wanted.unwrap_or(0);
        if self.registers.first() != Some(&wanted) || again != wanted {
            return self.lose(1);
        }
        let counts = self.registers[1..].iter().map(|register| i32::from(register.cast_signed())).collect();
        let frames = u64::from(self.at.frames);
        blocks.push(Block {
            first_frame: self.next_frame,
            missing_before: std::mem::take(&mut self.gap),
            channels: self.channels,
            counts,
            arrived_wall_ns: self.clock.now_ns(),
        });
        self.next_frame += frames;
        self.counts.frames += frames;
        self.counts.packets += 1;
        self.wanted = Some(wanted.wrapping_add(1));
    }
}

impl Source for ModbusBlocks {
    fn read(&mut self, blocks: &mut Vec<Block>) -> Result<(), SourceError> {
        self.turn(blocks).inspect_err(|_| self.stream = None)
    }

    fn reopen(&mut self, frames_missing: u64) -> Result<(), SourceError> {
        self.stream = None;
        self.stream = Some(super::rtp_tcp::connect(&self.address)?);
        (self.splitter, self.out, self.step) = (Splitter::default(), None, Step::Identity);
        (self.wanted, self.from_ns) = (None, 0);
        self.registers.clear();
        self.next_frame += frames_missing;
        self.gap += frames_missing;
        self.counts.frames_missing += frames_missing;
        Ok(())
    }

    fn counts(&self) -> &StreamCounts {
        &self.counts
    }
}
