//! Diagnostic replies of SAE J1979 / ISO 15031-5: message bytes in, parameter values or misfire counts out.
//!
//! A reply is read whole or not at all: one wrong length makes every byte after it doubtful. What a control unit does
//! not support is 'not available', never a fault: it stays silent, answers negatively, or sends the code set aside for it.

use super::error::RawError;
use super::monitors::{MisfireCount, decode_monitors};
use super::parameters::{FIELDS, Field, parameter_bytes};

/// A diagnostic request: the service and the identifiers that it asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Request {
    /// Service, 01 to 0A for emission-related ones.
    pub service: u8,
    /// Parameters or monitors asked for.
    pub identifiers: Vec<u8>,
}

impl Request {
    /// Reads the bytes of a request, without its trailing padding; errors: no byte.
    pub fn parse(bytes: &[u8]) -> Result<Request, RawError> {
        let (&service, asked) = bytes.split_first().ok_or(RawError::Empty)?;
        let mut identifiers = asked.to_vec();
        // Nobody asks twice for the same parameter, so a run of one filler byte at the end is padding.
        if let Some(&last) = asked.last().filter(|&&b| is_filler(b)) {
            let run = asked.iter().rev().take_while(|&&b| b == last).count();
            if run >= 2 {
                identifiers.truncate((asked.len() - run).max(1));
            }
        }
        Ok(Request { service, identifiers })
    }
}

/// What a control unit said.
#[derive(Debug, Clone, PartialEq)]
pub enum Reply {
    /// Service 01: parameters in the order of the message.
    Parameters(Vec<Reading>),
    /// Service 06: misfire counts; other monitors are passed over.
    Misfires(Vec<MisfireCount>),
    /// A refusal: what was asked is not available (11, 12), or not for the time being (21, 22, 78).
    Negative {
        /// Service that was refused.
        service: u8,
        /// Response code.
        code: u8,
    },
    /// A response to a service that carries no samples.
    Other {
        /// The service.
        service: u8,
    },
}

/// One finding in a service 01 reply.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reading {
    /// A quantity in the unit of its field; `None` where the control unit says 'not available'.
    Value {
        /// Which quantity.
        field: &'static Field,
        /// Its value.
        value: Option<f64>,
    },
    /// A support bitmap: see [`supported_parameters`].
    Supported {
        /// The bitmap's own parameter: 00, 20, 40 and so on.
        block: u8,
        /// The four bytes, most significant first.
        mask: u32,
    },
    /// A parameter that is known or asked for but not decoded.
    Unread {
        /// The parameter.
        pid: u8,
    },
}

/// Full scales that a control unit states by PIDs 4F and 50 in place of the standard ones (from memory).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct FullScale {
    /// Highest equivalence ratio (lambda), if stated.
    pub lambda: Option<f64>,
    /// Highest manifold pressure in kPa, if stated.
    pub map_kpa: Option<f64>,
    /// Highest mass air flow in g/s, if stated.
    pub maf_gs: Option<f64>,
}

impl FullScale {
    /// Takes up a full scale if `reading` states one, and says whether it did; 0 restores the standard one.
    pub fn learn(&mut self, reading: &Reading) -> bool {
        let Reading::Value { field, value: Some(value) } = *reading else {
            return false;
        };
        let stated = (value > 0.0).then_some(value);
        match (field.pid, field.first) {
            (0x4F, 0) => self.lambda = stated,
            (0x4F, 3) => self.map_kpa = stated,
            (0x50, 0) => self.maf_gs = stated,
            _ => return false,
        }
        true
    }

    /// The value of `raw` in `field`, in the unit of the field; `None` if it is no measurement.
    fn value(&self, field: &Field, raw: u32) -> Option<f64> {
        let stated = match field.pid {
            0x0B => self.map_kpa.map(|full| f64::from(raw) * full / 255.0),
            0x10 => self.maf_gs.map(|full| f64::from(raw) * full / 65535.0),
            0x44 => self.lambda.map(|full| f64::from(raw) * full / 65535.0),
            _ => None,
        };
        field.is_available(raw).then(|| stated.unwrap_or_else(|| field.linear.apply(raw)))
    }
}

/// Reads one control unit's whole reply; with the request known, its service and parameters must match.
pub fn decode_reply(
    request: Option<&Request>,
    bytes: &[u8],
    scale: &FullScale,
) -> Result<Reply, RawError> {
    let (&first, body) = bytes.split_first().ok_or(RawError::Empty)?;
    let service = match first {
        0x7F => return negative(request, body),
        0x40..0x7F => first - 0x40,
        _ => return Err(RawError::NotAResponse { first }),
    };
    require_service(request, service)?;
    match service {
        0x01 => parameters(request, body, scale).map(Reply::Parameters),
        0x06 => decode_monitors(body).map(Reply::Misfires),
        _ => Ok(Reply::Other { service }),
    }
}

/// The parameters that a support bitmap declares: bit 7 of its first byte is the first one after `block`.
pub fn supported_parameters(block: u8, mask: u32) -> Vec<u8> {
    (1..=32u8).filter(|n| mask >> (32 - n) & 1 == 1).filter_map(|n| block.checked_add(n)).collect()
}

fn require_service(request: Option<&Request>, found: u8) -> Result<(), RawError> {
    match request {
        Some(request) if request.service != found => {
            Err(RawError::OtherService { requested: request.service, found })
        }
        _ => Ok(()),
    }
}

fn negative(request: Option<&Request>, body: &[u8]) -> Result<Reply, RawError> {
    match *body {
        [service, code, ref rest @ ..] if is_padding(rest) => {
            require_service(request, service)?;
            Ok(Reply::Negative { service, code })
        }
        _ => Err(RawError::NegativeLength { found: body.len() }),
    }
}

/// Reads `PID data PID data ...`; the lengths come from the parameter table.
fn parameters(
    request: Option<&Request>,
    body: &[u8],
    scale: &FullScale,
) -> Result<Vec<Reading>, RawError> {
    let mut readings = Vec::new();
    let mut unanswered: Option<Vec<u8>> = request.map(|r| r.identifiers.clone());
    let mut rest = body;
    while let Some((&pid, after)) = rest.split_first() {
        let is_first = rest.len() == body.len();
        match one_parameter(pid, after, unanswered.as_deref(), is_first) {
            Ok(length) => {
                let (data, next) = after.split_at(length);
                read_fields(pid, data, scale, &mut readings);
                if let Some(asked) = &mut unanswered {
                    asked.retain(|&a| a != pid);
                }
                rest = next;
            }
            // Only what cannot be read as a parameter may be padding: 55 and AA are parameters too.
            Err(_) if !is_first && is_padding(rest) => break,
            Err(fault) => return Err(fault),
        }
    }
    if readings.is_empty() { Err(RawError::NoContent { service: 0x01 }) } else { Ok(readings) }
}

/// How many of the bytes `after` the identifier are its data.
fn one_parameter(
    pid: u8,
    after: &[u8],
    unanswered: Option<&[u8]>,
    is_first: bool,
) -> Result<usize, RawError> {
    if unanswered.is_some_and(|asked| !asked.contains(&pid)) {
        return Err(RawError::NotRequested { pid });
    }
    match parameter_bytes(pid) {
        Some(expected) if after.len() < expected => {
            Err(RawError::ParameterLength { pid, expected, found: after.len() })
        }
        // Without the request, a filler byte repeated to the end is taken for padding even where it could be read.
        Some(_) if unanswered.is_none() && !is_first && is_filler(pid) && all(after, pid) => {
            Err(RawError::NotRequested { pid })
        }
        Some(expected) => Ok(expected),
        // The last one due takes all that is left.
        None if unanswered.map_or(is_first, |asked| asked.iter().all(|&a| a == pid)) => {
            Ok(after.len())
        }
        None => Err(RawError::UnknownParameter { pid }),
    }
}

fn read_fields(pid: u8, data: &[u8], scale: &FullScale, readings: &mut Vec<Reading>) {
    if pid.is_multiple_of(0x20)
        && let [a, b, c, d] = *data
    {
        readings.push(Reading::Supported { block: pid, mask: u32::from_be_bytes([a, b, c, d]) });
        return;
    }
    let before = readings.len();
    for field in FIELDS.iter().filter(|f| f.pid == pid) {
        if let Some(raw) = field.raw(data) {
            readings.push(Reading::Value { field, value: scale.value(field, raw) });
        }
    }
    if readings.len() == before {
        readings.push(Reading::Unread { pid });
    }
}

/// Whether `byte` is used to fill frames: 00, 55, AA and FF are common practice (no source), CC is ISO 15765-2's.
fn is_filler(byte: u8) -> bool {
    matches!(byte, 0x00 | 0x55 | 0xAA | 0xCC | 0xFF)
}

fn all(bytes: &[u8], value: u8) -> bool {
    bytes.iter().all(|&b| b == value)
}

/// Whether `rest` is nothing but one filler byte, or empty.
pub(super) fn is_padding(rest: &[u8]) -> bool {
    rest.first().is_none_or(|&filler| is_filler(filler) && all(rest, filler))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::samples::Signal;
    use proptest::prelude::*;

    fn decode(request: &[u8], response: &[u8]) -> Result<Reply, RawError> {
        let request = (!request.is_empty()).then(|| Request::parse(request).unwrap());
        decode_reply(request.as_ref(), response, &FullScale::default())
    }

    fn signals(reply: Result<Reply, RawError>) -> Vec<(Signal, f64)> {
        let Ok(Reply::Parameters(readings)) = reply else { panic!("{reply:?}") };
        readings
            .iter()
            .filter_map(|r| match *r {
                Reading::Value { field, value } => Some((field.signal?, value?)),
                _ => None,
            })
            .collect()
    }

    #[test]
    fn several_parameters_in_one_response() {
        let found = signals(decode(
            &[0x01, 0x04, 0x0C, 0x0D],
            &[0x41, 0x04, 0x80, 0x0C, 0x1A, 0xF8, 0x0D, 0x32],
        ));
        let load = 128.0 * 100.0 / 255.0;
        assert_eq!(
            found,
            [(Signal::LoadPct, load), (Signal::Rpm, 1726.0), (Signal::SpeedKmh, 50.0)]
        );
    }

    #[test]
    fn a_parameter_left_out_of_the_response_is_not_available() {
        let found = signals(decode(&[0x01, 0x06, 0x08], &[0x41, 0x06, 0x80]));
        assert_eq!(found, [(Signal::Stft1Pct, 0.0)]);
    }

    #[test]
    fn padding_is_told_from_data() {
        for filler in [0x00, 0x55, 0xAA, 0xCC, 0xFF] {
            for run in 1..=4 {
                let mut response = vec![0x41, 0x0C, 0x1A, 0xF8];
                response.extend(vec![filler; run]);
                for request in [&[][..], &[0x01, 0x0C], &[0x01, 0x0C, filler, filler]] {
                    let found = signals(decode(request, &response));
                    assert_eq!(found, [(Signal::Rpm, 1726.0)], "{request:?} {response:?}");
                }
            }
        }
        // A parameter whose data look like padding is data.
        assert_eq!(signals(decode(&[], &[0x41, 0x0C, 0x00, 0x00])), [(Signal::Rpm, 0.0)]);
        assert_eq!(
            decode(&[0x01, 0x00], &[0x41, 0x00, 0x00, 0x00, 0x00, 0x00]),
            Ok(Reply::Parameters(vec![Reading::Supported { block: 0, mask: 0 }]))
        );
    }

    #[test]
    fn wrong_lengths_have_a_reason() {
        assert_eq!(
            decode(&[0x01, 0x0C], &[0x41, 0x0C, 0x1A]),
            Err(RawError::ParameterLength { pid: 0x0C, expected: 2, found: 1 })
        );
        assert_eq!(
            decode(&[0x01, 0x05], &[0x41, 0x05, 0x7B, 0x01]),
            Err(RawError::NotRequested { pid: 0x01 })
        );
        assert_eq!(decode(&[], &[0x41]), Err(RawError::NoContent { service: 1 }));
        assert_eq!(decode(&[], &[]), Err(RawError::Empty));
        assert_eq!(decode(&[], &[0x01, 0x0C]), Err(RawError::NotAResponse { first: 0x01 }));
        assert_eq!(
            decode(&[0x01, 0x0C], &[0x46, 0x00, 0, 0, 0, 0]),
            Err(RawError::OtherService { requested: 1, found: 6 })
        );
        assert_eq!(
            decode(&[0x01, 0xB0, 0x0C], &[0x41, 0xB0, 1, 2, 0x0C, 0, 0]),
            Err(RawError::UnknownParameter { pid: 0xB0 })
        );
        assert_eq!(
            decode(&[0x01, 0xB0], &[0x41, 0xB0, 1, 2, 3]),
            Ok(Reply::Parameters(vec![Reading::Unread { pid: 0xB0 }]))
        );
    }

    #[test]
    fn refusals_are_not_faults() {
        let refused = Ok(Reply::Negative { service: 1, code: 0x12 });
        assert_eq!(decode(&[0x01, 0x08], &[0x7F, 0x01, 0x12]), refused);
        assert_eq!(decode(&[0x01, 0x08], &[0x7F, 0x01, 0x12, 0xAA, 0xAA]), refused);
        assert_eq!(decode(&[], &[0x7F, 0x01]), Err(RawError::NegativeLength { found: 1 }));
        assert_eq!(
            decode(&[0x06, 0xA2], &[0x7F, 0x01, 0x12]),
            Err(RawError::OtherService { requested: 6, found: 1 })
        );
    }

    #[test]
    fn stated_full_scale_replaces_the_standard_one() {
        // From memory: PID 50 byte A is the full scale of PID 10 in 10 g/s; 4F byte A of lambda, byte D of PID 0B.
        let mut scale = FullScale::default();
        for reply in [&[0x41, 0x4F, 4, 0, 0, 50][..], &[0x41, 0x50, 131, 0, 0, 0]] {
            let Ok(Reply::Parameters(readings)) = decode_reply(None, reply, &scale) else {
                panic!("{reply:?}")
            };
            assert!(readings.iter().all(|r| scale.learn(r)));
        }
        let reply = decode_reply(
            None,
            &[0x41, 0x0B, 0xFF, 0x10, 0xFF, 0xFF, 0x44, 0xFF, 0xFF, 0x0C, 0x00, 0x04],
            &scale,
        );
        assert_eq!(
            signals(reply),
            [
                (Signal::MapKpa, 500.0),
                (Signal::MafGs, 1310.0),
                (Signal::CmdEquiv, 4.0),
                (Signal::Rpm, 1.0)
            ]
        );
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_or_refused(
            request in prop::collection::vec(any::<u8>(), 0..9),
            response in prop::collection::vec(any::<u8>(), 0..64),
        ) {
            let _ = decode(&request, &response);
        }

        #[test]
        fn any_service_01_body_gives_values_in_range(
            body in prop::collection::vec(any::<u8>(), 0..64)
        ) {
            let mut response = vec![0x41];
            response.extend(body);
            if let Ok(Reply::Parameters(readings)) = decode(&[], &response) {
                for reading in readings {
                    if let Reading::Value { field, value: Some(value) } = reading
                        && let Some(signal) = field.signal
                    {
                        let spec = signal.spec();
                        prop_assert!((spec.min..=spec.max).contains(&value), "{reading:?}");
                    }
                }
            }
        }
    }
}
