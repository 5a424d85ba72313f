//! Frames, check sums, times and numbers in registers, by the project's own codec. An answer counts as decoded when what
//! was decoded, laid out again here, gives the published bytes.

use crate::harness::{Case, Sheet};
use ramprig::fieldbus::frame::{
    ADU_MAX_BYTES, Answer, FrameError, PDU_MAX_BYTES, READ_BITS_MAX, READ_REGISTERS_MAX, Request, Splitter,
    WRITE_COILS_MAX, WRITE_REGISTERS_MAX, exception_name, wrap,
};
use ramprig::fieldbus::rtu;
use ramprig::fieldbus::service::{FilePart, READ_WRITE_READ_MAX, READ_WRITE_WRITE_MAX, Served, Service, masked};
use ramprig::rig::number_form::{NumberForm, WordOrder};
use ramprig::rig::register_map::{Field, Table};
use ramprig::rig::serial_line::{Parity, SerialLine};

fn bytes(text: &str) -> Vec<u8> {
    text.split(' ').map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02X}")).collect::<Vec<_>>().join(" ")
}

fn words(values: &[u16]) -> Vec<u8> {
    values.iter().flat_map(|value| [(value >> 8) as u8, *value as u8]).collect()
}

fn published(case: &Case, name: &str) -> Vec<u8> {
    let expected = case.expected.iter().find(|expected| expected.name == name).unwrap();
    bytes(&expected.value.to_string())
}

/// An answer to a read or write laid out again.
fn laid_out(request: &Request, answer: &Result<Answer, FrameError>) -> String {
    let function = request.function();
    hex(&match (request, answer) {
        (Request::Read { table: Table::Coil | Table::DiscreteInput, .. }, Ok(Answer::Values(bits))) => {
            let mut packed = vec![0_u8; bits.len().div_ceil(8)];
            bits.iter().enumerate().for_each(|(at, bit)| packed[at / 8] |= (*bit as u8) << (at % 8));
            [vec![function, packed.len() as u8], packed].concat()
        }
        (_, Ok(Answer::Values(values))) => [vec![function, 2 * values.len() as u8], words(values)].concat(),
        (_, Ok(Answer::Written)) => request.pdu().unwrap()[..5].to_vec(),
        (_, Err(FrameError::Exception { code })) => vec![function | 0x80, *code],
        (_, Err(error)) => panic!("{error}"),
    })
}

fn examples(sheet: &mut Sheet) {
    let read = |table, address, count| Request::Read { table, address, count };
    for (id, request) in [
        ("pdu-01", read(Table::Coil, 0x13, 0x13)),
        ("pdu-03", read(Table::Holding, 0x6B, 3)),
        ("pdu-05", Request::WriteCoil { address: 0xAC, on: true }),
        ("pdu-06", Request::WriteRegister { address: 1, value: 3 }),
        ("pdu-10", Request::WriteRegisters { address: 1, values: vec![0x000A, 0x0102] }),
        ("pdu-exc", read(Table::Coil, 0x04A1, 1)),
    ] {
        let case = sheet.case(id);
        sheet.check(&case, "request_pdu", hex(&request.pdu().unwrap()), "fieldbus::frame::Request::pdu");
        let answer = request.check(&published(&case, "response_pdu"));
        sheet.check(&case, "response_pdu", laid_out(&request, &answer), "fieldbus::frame::Request::check");
    }
}

/// An answer to a service laid out again.
fn served_out(service: &Service, served: &Served) -> String {
    let function = service.function();
    hex(&match served {
        Served::Status(status) => vec![function, *status],
        Served::Echoed => service.pdu(),
        Served::Events { status, events, messages, log } => {
            let body = [words(&[*status, *events, *messages]), log.clone()].concat();
            [vec![function, body.len() as u8], body].concat()
        }
        Served::Parts(parts) => {
            let part = |values: &Vec<u16>| [vec![2 * values.len() as u8 + 1, 6], words(values)].concat();
            let body: Vec<u8> = parts.iter().flat_map(part).collect();
            [vec![function, body.len() as u8], body].concat()
        }
        Served::Values(values) => [vec![function, 2 * values.len() as u8], words(values)].concat(),
    })
}

fn services(sheet: &mut Sheet) {
    let part = |file, record, registers: &[u16]| FilePart { file, record, registers: registers.to_vec() };
    for (id, service) in [
        ("pdu-07", Service::ExceptionStatus),
        ("pdu-08", Service::EchoData(0xA537)),
        ("pdu-0C", Service::EventLog),
        ("pdu-14", Service::ReadFile(vec![part(4, 1, &[0, 0]), part(3, 9, &[0, 0])])),
        ("pdu-15", Service::WriteFile(vec![part(4, 7, &[0x06AF, 0x04BE, 0x100D])])),
        ("pdu-17", Service::ReadWrite { read: 3, count: 6, write: 0x0E, values: vec![0x00FF; 3] }),
    ] {
        let case = sheet.case(id);
        sheet.check(&case, "request_pdu", hex(&service.pdu()), "fieldbus::service::Service::pdu");
        let served = service.check(&published(&case, "response_pdu")).unwrap_or_else(|error| panic!("{id}: {error}"));
        sheet.check(&case, "response_pdu", served_out(&service, &served), "fieldbus::service::Service::check");
    }
    for case in sheet.cases("maskwrite-") {
        let word = |name| case.number(name) as u16;
        let result = masked(word("current"), word("and_mask"), word("or_mask"));
        sheet.check(&case, "result", result, "fieldbus::service::masked");
    }
}

fn sums(sheet: &mut Sheet) {
    for case in sheet.cases("crc-") {
        let of = if case.id.starts_with("crc-check") {
            case.text("ascii").as_bytes().to_vec()
        } else {
            bytes(case.text("bytes"))
        };
        let crc = rtu::crc16(&of);
        sheet.check(&case, "crc", crc, "fieldbus::rtu::crc16");
        if case.expected.iter().any(|expected| expected.name == "wire_order") {
            let adu = rtu::wrap(of[0], &of[1..]);
            sheet.check(&case, "wire_order", hex(&adu[adu.len() - 2..]), "fieldbus::rtu::wrap");
        }
    }
    for case in sheet.cases("lrc-") {
        sheet.check(&case, "lrc", u16::from(rtu::lrc(&bytes(case.text("bytes")))), "fieldbus::rtu::lrc");
    }
}

fn frames(sheet: &mut Sheet) {
    for case in sheet.cases("adu-rtu-") {
        let (unit, pdu) = (case.number("unit") as u8, bytes(case.text("pdu")));
        let adu = rtu::wrap(unit, &pdu);
        assert_eq!(rtu::unwrap(&adu), Ok((unit, &pdu[..])), "{}", case.id);
        sheet.check(&case, "adu", hex(&adu), "fieldbus::rtu::wrap");
    }
    for case in sheet.cases("adu-tcp-") {
        let (transaction, unit) = (case.number("transaction") as u16, case.number("unit") as u8);
        let adu = wrap(transaction, unit, &bytes(case.text("pdu")));
        let mut splitter = Splitter::default();
        splitter.push(&adu);
        let frame = splitter.next_frame().unwrap().unwrap();
        assert_eq!((frame.transaction, frame.unit), (transaction, unit), "{}", case.id);
        sheet.check(&case, "adu", hex(&adu), "fieldbus::frame::wrap");
        sheet.check(&case, "length_field", u16::from_be_bytes([adu[4], adu[5]]), "fieldbus::frame::wrap");
    }
}

fn refusals(sheet: &mut Sheet) {
    let request = Request::Read { table: Table::Holding, address: 0, count: 1 };
    for case in sheet.cases("exc-") {
        let code = case.number("code") as u8;
        sheet.check(&case, "name", exception_name(code), "fieldbus::frame::exception_name");
        // The one function byte that is taken for this refusal.
        let taken: Vec<u8> =
            (0..=255).filter(|first| request.check(&[*first, code]) == Err(FrameError::Exception { code })).collect();
        assert_eq!(taken.len(), 1, "{}: {taken:?}", case.id);
        sheet.check(&case, "response_function_for_03", u16::from(taken[0]), "fieldbus::frame::Request::check");
    }
    for (id, most) in [
        ("limit-read-registers", usize::from(READ_REGISTERS_MAX)),
        ("limit-write-registers", WRITE_REGISTERS_MAX),
        ("limit-readwrite-read", READ_WRITE_READ_MAX),
        ("limit-readwrite-write", READ_WRITE_WRITE_MAX),
        ("limit-read-coils", usize::from(READ_BITS_MAX)),
        ("limit-write-coils", WRITE_COILS_MAX),
        ("limit-RTU-ADU-bytes", rtu::ADU_MAX_BYTES),
        ("limit-PDU-bytes", PDU_MAX_BYTES),
        ("limit-TCP-ADU-bytes", ADU_MAX_BYTES),
    ] {
        let case = sheet.case(id);
        sheet.check(&case, "max", most as f64, "fieldbus::frame, fieldbus::rtu");
    }
}

fn silences(sheet: &mut Sheet) {
    for case in sheet.cases("t35-") {
        assert_eq!(case.number("bits_per_char"), 11.0, "start, 8 data, parity, stop");
        let rate_baud = case.number("baud") as u32;
        let line = SerialLine { rate_baud, parity: Parity::Even, stop_bits: 1, turn_around_s: 0.0, max_hold_s: 0.05 };
        sheet.check_si(&case, "t_char", line.character_s(), "rig::serial_line::SerialLine::character_s");
        sheet.check_si(&case, "t1_5", line.inside_gap_s(), "rig::serial_line::SerialLine::inside_gap_s");
        sheet.check_si(&case, "t3_5", line.frame_gap_s(), "rig::serial_line::SerialLine::frame_gap_s");
    }
}

fn numbers(sheet: &mut Sheet) {
    let field = |form, order| Field { form, order, ..Field::plain(Table::Holding, 0) };
    for case in sheet.cases("f32-") {
        for (name, order) in [
            ("ABCD_big", WordOrder::HighFirst),
            ("CDAB_word_swapped", WordOrder::LowFirst),
            ("BADC_byte_swapped", WordOrder::HighFirstSwapped),
            ("DCBA_little", WordOrder::LowFirstSwapped),
        ] {
            let field = field(NumberForm::F32, order);
            let registers = field.spread(field.to_raw(case.number("value")).unwrap());
            assert_eq!(field.to_si(field.gather(&registers)), case.number("value"), "{} {name}", case.id);
            sheet.check(&case, name, hex(&words(&registers)), "rig::register_map::Field::spread");
        }
    }
    for case in sheet.cases("i32-") {
        for (name, order) in [("regs_high_first", WordOrder::HighFirst), ("regs_low_first", WordOrder::LowFirst)] {
            let field = field(NumberForm::I32, order);
            let registers = field.spread(field.to_raw(case.number("value")).unwrap());
            assert_eq!(field.to_si(field.gather(&registers)), case.number("value"), "{} {name}", case.id);
            let list: Vec<f64> = registers.iter().map(|register| f64::from(*register)).collect();
            sheet.check(&case, name, list, "rig::register_map::Field::spread");
        }
    }
    for case in sheet.cases("i16-") {
        let field = Field { scale: case.number("scale"), ..field(NumberForm::I16, WordOrder::HighFirst) };
        let raw = field.gather(&[case.number("raw") as u16]);
        sheet.check(&case, "signed", field.form.number(raw), "rig::number_form::NumberForm::number");
        sheet.check(&case, "engineering", field.to_si(raw), "rig::register_map::Field::to_si");
    }
}

#[test]
fn published_modbus_frames_sums_times_and_numbers() {
    let mut sheet = Sheet::open("08_modbus", "modbus");
    examples(&mut sheet);
    services(&mut sheet);
    sums(&mut sheet);
    frames(&mut sheet);
    refusals(&mut sheet);
    silences(&mut sheet);
    numbers(&mut sheet);
    sheet.finish(&[]);
}
