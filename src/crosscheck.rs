//! Serves the statistics over JSON lines, so that another language can hold them against its libraries.
//!
//! In: one request a line, `{"what": "garwood", "args": {"count": 3, "exposure": 2, "level": 0.95}}`.
//! Out: one line a request, `{"answer": {...}}` or `{"error": "..."}`; the answer is null where the
//! statistic declines. `{"what": "list"}` names all that is served. Numbers may come as text; infinities and NaN
//! leave as text.

use std::io::{BufRead, Write};

use serde_json::{Map, Value, json};

use crate::stats::counts::Counted;

mod before_after;
mod counts;
mod location;
mod regression;
mod sequential;
mod timing;
mod trend;

/// An answer, or what is wrong with the request.
type Answer = Result<Value, String>;

/// A name and what computes it.
type Served = (&'static str, fn(&Args<'_>) -> Answer);

/// Everything that is served but what is timed; `list` answers these names.
const SERVED: [&[Served]; 6] = [
    location::SERVED,
    regression::SERVED,
    counts::SERVED,
    trend::SERVED,
    before_after::SERVED,
    sequential::SERVED,
];

/// Answers request after request until the input ends.
///
/// # Errors
/// Only when the input can't be read or the output can't be written; a bad request gets an error line.
pub fn serve(input: impl BufRead, mut output: impl Write) -> std::io::Result<()> {
    for line in input.lines() {
        let line = line?;
        if line.trim().is_empty() {
            continue;
        }
        let reply = match answer(&line) {
            Ok(value) => json!({ "answer": value }),
            Err(error) => json!({ "error": error }),
        };
        writeln!(output, "{reply}")?;
    }
    output.flush()
}

fn answer(line: &str) -> Answer {
    let request: Value = serde_json::from_str(line).map_err(|e| format!("not JSON: {e}"))?;
    let what = request["what"].as_str().ok_or("\"what\" is missing")?;
    let served = SERVED.into_iter().flatten();
    if what == "list" {
        return Ok(served.map(|(name, _)| *name).collect());
    }
    let (_, compute) = served
        .chain(timing::TIMED)
        .find(|(name, _)| *name == what)
        .ok_or_else(|| format!("{what:?} is not served; {{\"what\": \"list\"}} names what is"))?;
    compute(&Args(&request["args"]))
}

/// Arguments of a request.
struct Args<'a>(&'a Value);

impl Args<'_> {
    fn read<T>(
        &self,
        name: &str,
        kind: &str,
        get: impl Fn(&Value) -> Option<T>,
    ) -> Result<T, String> {
        get(&self.0[name]).ok_or_else(|| format!("argument {name:?} must be {kind}"))
    }

    fn number(&self, name: &str) -> Result<f64, String> {
        self.read(name, "a number", exact)
    }

    fn whole(&self, name: &str) -> Result<u64, String> {
        self.read(name, "a whole number", Value::as_u64)
    }

    fn list(&self, name: &str) -> Result<Vec<f64>, String> {
        self.read(name, "a list of numbers", numbers)
    }

    fn wholes(&self, name: &str) -> Result<Vec<u64>, String> {
        self.read(name, "a list of whole numbers", |v| {
            v.as_array()?.iter().map(Value::as_u64).collect()
        })
    }

    fn rows(&self, name: &str) -> Result<Vec<Vec<f64>>, String> {
        self.read(name, "a list of lists of numbers", |v| {
            v.as_array()?.iter().map(numbers).collect()
        })
    }

    fn weights(&self) -> Result<Option<Vec<f64>>, String> {
        if self.0["weights"].is_null() { Ok(None) } else { self.list("weights").map(Some) }
    }

    fn counted(&self, name: &str) -> Result<Counted, String> {
        self.read(name, "[count, exposure]", counted)
    }

    fn counteds(&self, name: &str) -> Result<Vec<Counted>, String> {
        self.read(name, "a list of [count, exposure]", |v| {
            v.as_array()?.iter().map(counted).collect()
        })
    }
}

/// A number, or a number as text: text is read to the last bit, which the JSON reader does not promise.
fn exact(value: &Value) -> Option<f64> {
    match value {
        Value::String(text) => text.parse().ok(),
        _ => value.as_f64(),
    }
}

fn numbers(value: &Value) -> Option<Vec<f64>> {
    value.as_array()?.iter().map(exact).collect()
}

fn counted(value: &Value) -> Option<Counted> {
    Some(Counted { count: value[0].as_u64()?, exposure: exact(&value[1])? })
}

/// A number as JSON: text where JSON has no number for it.
fn number(x: f64) -> Value {
    if x.is_finite() { json!(x) } else { json!(x.to_string()) }
}

fn list(values: &[f64]) -> Value {
    values.iter().copied().map(number).collect()
}

fn table<R: AsRef<[f64]>>(rows: &[R]) -> Value {
    rows.iter().map(|row| list(row.as_ref())).collect()
}

fn object<const N: usize>(fields: [(&str, Value); N]) -> Value {
    Value::Object(fields.map(|(k, v)| (k.to_owned(), v)).into_iter().collect::<Map<_, _>>())
}

fn figures<const N: usize>(fields: [(&str, f64); N]) -> Value {
    object(fields.map(|(k, v)| (k, number(v))))
}

fn optional(value: Option<f64>) -> Value {
    value.map_or(Value::Null, number)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn replies(requests: &str) -> Vec<Value> {
        let mut out = Vec::new();
        serve(requests.as_bytes(), &mut out).unwrap();
        let text = String::from_utf8(out).unwrap();
        text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }

    #[test]
    fn every_request_gets_one_line() {
        let got = replies(
            "{\"what\": \"binomial_upper_tail\", \"args\": {\"k\": 1, \"n\": 2, \"p\": 0.5}}\n\n\
             {\"what\": \"no such thing\"}\nnot json\n{\"what\": \"garwood\", \"args\": {}}\n",
        );
        assert_eq!(got.len(), 4);
        assert!((got[0]["answer"].as_f64().unwrap() - 0.75).abs() < 1e-12);
        assert!(got[1..].iter().all(|reply| reply["error"].is_string()));
    }

    #[test]
    fn infinities_travel_as_text() {
        let request = "{\"what\": \"rate_ratio\", \"args\": {\"first\": [3, 1.0], \"second\": [0, 1.0], \"level\": 0.95}}";
        assert_eq!(replies(request)[0]["answer"]["hi"], "inf");
    }
}
