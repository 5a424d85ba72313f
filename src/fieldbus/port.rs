//! Opening a serial port: raw, eight data bits, no flow control, for ourselves alone, and read back: a driver that
//! quietly keeps another rate or parity is refused.

use crate::rig::serial_line::{Parity, SerialLine};
use rustix::fs::{FlockOperation, Mode, OFlags, flock, fstat, major, open};
use rustix::termios::{
    ControlModes, OptionalActions, QueueSelector, Termios, ioctl_tiocexcl, tcflush, tcgetattr, tcsetattr,
};
use std::io;
use std::ops::RangeInclusive;
use std::os::fd::OwnedFd;

/// Major numbers of pseudo-terminals' device side on Linux. They know no parity and no stop bits.
const PSEUDO_TERMINALS: RangeInclusive<u32> = 136..=143;
/// A rate off by more than this share garbles characters: half a bit at the end of eleven, shared between both sides
/// (common practice, no source).
const RATE_SHARE: f64 = 0.02;

/// Open the port at `path`.
///
/// # Errors
/// What the operating system says; a port that another process has; a setting that the driver did not take.
pub(super) fn open_port(path: &str, line: &SerialLine) -> io::Result<OwnedFd> {
    opened(path, line, OFlags::RDWR)
}

/// Open the port at `path` for reading alone: the system refuses every write to it.
///
/// # Errors
/// As [`open_port`].
pub(super) fn open_port_to_listen(path: &str, line: &SerialLine) -> io::Result<OwnedFd> {
    opened(path, line, OFlags::RDONLY)
}

fn opened(path: &str, line: &SerialLine, access: OFlags) -> io::Result<OwnedFd> {
    let port = open(path, access | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC, Mode::empty())?;
    flock(&port, FlockOperation::NonBlockingLockExclusive)
        .map_err(|error| io::Error::new(io::Error::from(error).kind(), "another process has the port"))?;
    let is_pseudo = PSEUDO_TERMINALS.contains(&major(fstat(&port)?.st_rdev));
    if !is_pseudo {
        // A pseudo-terminal would keep this beyond our end, since its other side holds it open.
        ioctl_tiocexcl(&port)?;
    }
    let wanted = settings(tcgetattr(&port)?, line)?;
    tcsetattr(&port, OptionalActions::Now, &wanted)?;
    confirm(&tcgetattr(&port)?, &wanted, line, is_pseudo)?;
    tcflush(&port, QueueSelector::IOFlush)?;
    Ok(port)
}

fn settings(mut termios: Termios, line: &SerialLine) -> io::Result<Termios> {
    termios.make_raw();
    termios.control_modes |= ControlModes::CREAD | ControlModes::CLOCAL;
    termios.control_modes.remove(framing_bits() | ControlModes::CRTSCTS);
    termios.control_modes |= ControlModes::CS8 | framing(line);
    termios.set_speed(line.rate_baud)?;
    Ok(termios)
}

fn framing_bits() -> ControlModes {
    ControlModes::CSIZE | ControlModes::PARENB | ControlModes::PARODD | ControlModes::CSTOPB
}

fn framing(line: &SerialLine) -> ControlModes {
    let parity = match line.parity {
        Parity::None => ControlModes::empty(),
        Parity::Even => ControlModes::PARENB,
        Parity::Odd => ControlModes::PARENB | ControlModes::PARODD,
    };
    if line.stop_bits == 2 { parity | ControlModes::CSTOPB } else { parity }
}

fn confirm(found: &Termios, wanted: &Termios, line: &SerialLine, is_pseudo: bool) -> io::Result<()> {
    let rate = found.output_speed();
    if (f64::from(rate) / f64::from(line.rate_baud) - 1.0).abs() > RATE_SHARE {
        return Err(io::Error::other(format!("the port runs at {rate} bit/s, wanted are {} bit/s", line.rate_baud)));
    }
    let framing = |termios: &Termios| termios.control_modes & framing_bits();
    if !is_pseudo && framing(found) != framing(wanted) {
        return Err(io::Error::other("the port does not take this parity and these stop bits"));
    }
    Ok(())
}
