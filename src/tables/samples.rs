//! The normalised sample: one row of a trip log in canonical names and units.
//!
//! Every signal, its unit and its admissible range stand in [`SIGNALS`], in the order in which the lake keeps them.

/// Highest number of cylinders for which misfires are kept.
pub const MAX_CYLINDERS: usize = 12;

/// How a signal is stored in the lake.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Width {
    /// 32-bit float: enough for every sensor value (SAE J1979 resolves at most 16 bits).
    Single,
    /// 64-bit float: counters that grow large.
    Double,
}

/// One signal column: name, unit, admissible range (inclusive) and storage width.
#[derive(Debug, Clone, Copy)]
pub struct SignalSpec {
    /// Column name, unit last.
    pub name: &'static str,
    /// Unit symbol as written in the field metadata.
    pub unit: &'static str,
    /// Lowest admissible value.
    pub min: f64,
    /// Highest admissible value.
    pub max: f64,
    /// Storage width.
    pub width: Width,
}

macro_rules! signals {
    ($($variant:ident $name:literal $unit:literal $min:literal $max:literal $width:ident;)*) => {
        /// A signal of the sample table; the discriminant is its column position in [`SIGNALS`].
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[repr(usize)]
        pub enum Signal { $(#[doc = concat!("`", $name, "` in ", $unit)] $variant),* }

        /// All signals in storage order.
        pub const SIGNALS: &[SignalSpec] = &[
            $(SignalSpec { name: $name, unit: $unit, min: $min as f64, max: $max as f64, width: Width::$width }),*
        ];

        impl Signal {
            /// All signals in storage order.
            pub const ALL: &'static [Signal] = &[$(Signal::$variant),*];
        }
    };
}

// Ranges are the full scale of the SAE J1979 parameter where there is one (a conforming reading
// cannot leave it); others are physical bounds, common practice, no source.
signals! {
    SpeedKmh "speed_kmh" "km/h" 0 350 Single;
    Rpm "rpm" "rpm" 0 16383.75 Single;
    LoadPct "load_pct" "%" 0 100 Single;
    AbsLoadPct "abs_load_pct" "%" 0 25700 Single;
    MafGs "maf_gs" "g/s" 0 2550 Single;
    MapKpa "map_kpa" "kPa" 0 655.35 Single;
    BaroKpa "baro_kpa" "kPa" 0 255 Single;
    ThrottlePct "throttle_pct" "%" 0 100 Single;
    CoolantC "coolant_c" "°C" -40 215 Single;
    IntakeC "intake_c" "°C" -40 215 Single;
    AmbientC "ambient_c" "°C" -60 215 Single;
    Stft1Pct "stft1_pct" "%" -100 99.22 Single;
    Ltft1Pct "ltft1_pct" "%" -100 99.22 Single;
    Stft2Pct "stft2_pct" "%" -100 99.22 Single;
    Ltft2Pct "ltft2_pct" "%" -100 99.22 Single;
    FuelStatus "fuel_status" "PID 03 value" 0 255 Single;
    CmdEquiv "cmd_equiv" "lambda" 0 2 Single;
    FuelRateLh "fuel_rate_lh" "L/h" 0 3276.75 Single;
    EthanolPct "ethanol_pct" "%" 0 100 Single;
    PurgePct "purge_pct" "%" 0 100 Single;
    EgrPct "egr_pct" "%" 0 100 Single;
    OdometerKm "odometer_km" "km" 0 429496729.5 Double;
    RunS "run_s" "s" 0 4294967295.0 Double;
    KmSinceClear "km_since_clear" "km" 0 65535 Double;
    WarmupsSinceClear "warmups_since_clear" "count" 0 255 Single;
    MinSinceClear "min_since_clear" "min" 0 65535 Double;
    ModuleV "module_v" "V" 0 65.535 Single;
    SocPct "soc_pct" "%" 0 100 Single;
    MisfireC1 "misfire_c1" "count" 0 65535 Single;
    MisfireC2 "misfire_c2" "count" 0 65535 Single;
    MisfireC3 "misfire_c3" "count" 0 65535 Single;
    MisfireC4 "misfire_c4" "count" 0 65535 Single;
    MisfireC5 "misfire_c5" "count" 0 65535 Single;
    MisfireC6 "misfire_c6" "count" 0 65535 Single;
    MisfireC7 "misfire_c7" "count" 0 65535 Single;
    MisfireC8 "misfire_c8" "count" 0 65535 Single;
    MisfireC9 "misfire_c9" "count" 0 65535 Single;
    MisfireC10 "misfire_c10" "count" 0 65535 Single;
    MisfireC11 "misfire_c11" "count" 0 65535 Single;
    MisfireC12 "misfire_c12" "count" 0 65535 Single;
}

impl Signal {
    /// Name, unit, range and width of this signal.
    pub fn spec(self) -> &'static SignalSpec {
        &SIGNALS[self as usize]
    }

    /// The signal whose column name is `name`, if there is one.
    pub fn by_name(name: &str) -> Option<Signal> {
        Signal::ALL.iter().copied().find(|s| s.spec().name == name)
    }

    /// Whether a sample can be used without it: what the car counts up from trip to trip, which no verdict on a sample asks for.
    pub fn is_running_total(self) -> bool {
        matches!(
            self,
            Signal::OdometerKm
                | Signal::RunS
                | Signal::KmSinceClear
                | Signal::WarmupsSinceClear
                | Signal::MinSinceClear
        )
    }

    /// The misfire counter of cylinder `cylinder` (1-based), if it is kept.
    pub fn misfire(cylinder: usize) -> Option<Signal> {
        (1..=MAX_CYLINDERS)
            .contains(&cylinder)
            .then(|| Signal::ALL[Signal::MisfireC1 as usize + cylinder - 1])
    }
}

/// A block of samples of one source, columnar, sorted by vehicle, then time, then row.
///
/// 1. All columns have the same length. 2. `NaN` means 'not available'. 3. A signal that the source
///    does not carry is `None`. 4. `vehicle` and `trip` index into `vehicles` and `trips`.
#[derive(Debug, Clone, Default)]
pub struct Samples {
    /// Names that `vehicle` indexes.
    pub vehicles: Vec<String>,
    /// Names that `trip` indexes.
    pub trips: Vec<String>,
    /// UTC microseconds since 1970-01-01.
    pub time_us: Vec<i64>,
    /// Vehicle of each row.
    pub vehicle: Vec<u32>,
    /// Trip of each row.
    pub trip: Vec<u32>,
    /// Row number in the source: 1 is the first data row.
    pub row: Vec<u64>,
    /// Values by [`Signal`] position; `NaN` where not available.
    pub signals: Vec<Option<Vec<f64>>>,
}

impl Samples {
    /// Number of rows.
    pub fn len(&self) -> usize {
        self.time_us.len()
    }

    /// Whether there is no row.
    pub fn is_empty(&self) -> bool {
        self.time_us.is_empty()
    }

    /// The values of `signal`, if the source carries it.
    pub fn signal(&self, signal: Signal) -> Option<&[f64]> {
        self.signals.get(signal as usize).and_then(|v| v.as_deref())
    }
}

/// Why a row could not be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum RejectCode {
    /// A cell that must be a number is not one.
    NotANumber,
    /// A number outside the admissible range of its column.
    OutOfRange,
    /// A time that cannot be read in the form that the profile states.
    BadTime,
    /// A time whose precision was lost, as by scientific notation.
    ImpreciseTime,
    /// A time before the year 2000 or later than the run allows.
    TimeOutOfRange,
    /// A local time that daylight saving skipped, or that happened twice and cannot be told apart.
    AmbiguousTime,
    /// No vehicle name.
    NoVehicle,
    /// A vehicle name with control characters or more than 128 bytes.
    BadVehicle,
    /// More or fewer cells than the header has.
    RaggedRow,
    /// The header again, in the middle of the file.
    RepeatedHeader,
    /// The same vehicle and time as a row before.
    DuplicateTime,
    /// A line longer than the set limit.
    LineTooLong,
    /// Text that is not valid in the encoding of the file.
    BadEncoding,
    /// A cell with a unit that the column cannot have.
    BadUnit,
    /// A raw response that cannot be decoded.
    BadResponse,
}

impl RejectCode {
    /// The code as written to the lake.
    pub fn as_str(self) -> &'static str {
        match self {
            RejectCode::NotANumber => "not_a_number",
            RejectCode::OutOfRange => "out_of_range",
            RejectCode::BadTime => "bad_time",
            RejectCode::ImpreciseTime => "imprecise_time",
            RejectCode::TimeOutOfRange => "time_out_of_range",
            RejectCode::AmbiguousTime => "ambiguous_time",
            RejectCode::NoVehicle => "no_vehicle",
            RejectCode::BadVehicle => "bad_vehicle",
            RejectCode::RaggedRow => "ragged_row",
            RejectCode::RepeatedHeader => "repeated_header",
            RejectCode::DuplicateTime => "duplicate_time",
            RejectCode::LineTooLong => "line_too_long",
            RejectCode::BadEncoding => "bad_encoding",
            RejectCode::BadUnit => "bad_unit",
            RejectCode::BadResponse => "bad_response",
        }
    }
}

/// One row that could not be used, as kept in the lake.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reject {
    /// Row number in the source: 1 is the first data row.
    pub row: u64,
    /// Column as the source names it; empty if the whole row is at fault.
    pub column: String,
    /// Reason.
    pub code: RejectCode,
    /// The raw text of the cell or row, cut to 200 characters.
    pub raw: String,
}
