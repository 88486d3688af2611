//! The pins of a real GPIO chip.

use super::{GpioError, GpioFile, LineNumbers, Pin, Pins};
use gpiocdev::line::{Bias, Value, Values};
use gpiocdev::request::Config;
use gpiocdev::{Chip, Request};
use std::io;

/// What the system shows as the user of the lines.
const CONSUMER: &str = "farrier";

/// Four lines that nobody else can have until this is dropped.
pub struct GpioLines {
    request: Request,
    numbers: LineNumbers,
}

impl GpioLines {
    /// Takes the lines, all of them as inputs. MISO gets a pull-up where the chip has one, so that a wire that is off reads as high.
    ///
    /// # Errors
    /// When there is no such chip or line, or one is in use.
    pub fn open(file: &GpioFile) -> Result<GpioLines, GpioError> {
        let no_chip = |error: gpiocdev::Error| GpioError::Chip { chip: file.chip.clone(), why: error.to_string() };
        let chip = Chip::from_path(&file.chip).map_err(no_chip)?;
        let lines = chip.info().map_err(no_chip)?.num_lines;
        for pin in Pin::ALL {
            let line = file.lines.of(pin);
            if line >= lines {
                return Err(GpioError::NoSuchLine { chip: file.chip.clone(), pin, line, lines });
            }
            let about = chip.line_info(line).map_err(no_chip)?;
            if about.used {
                let consumer = if about.consumer.is_empty() { "a driver without a name".into() } else { about.consumer };
                return Err(GpioError::InUse { chip: file.chip.clone(), pin, line, consumer });
            }
        }
        let request = Self::request(file).map_err(|error| GpioError::Lines { chip: file.chip.clone(), why: error.to_string() })?;
        Ok(GpioLines { request, numbers: file.lines })
    }

    fn request(file: &GpioFile) -> gpiocdev::Result<Request> {
        let mut config = Config::default();
        config.on_chip(&file.chip).as_input();
        config.with_lines(&Pin::ALL.map(|pin| file.lines.of(pin)));
        config.with_line(file.lines.miso).with_bias(Bias::PullUp);
        Request::from_config(config).with_consumer(CONSUMER).request()
    }

    /// Changes how one line is configured; the others stay as they are.
    fn configure(&self, pin: Pin, output: Option<bool>) -> io::Result<()> {
        let mut config = Config::default();
        let line = config.with_line(self.numbers.of(pin));
        match output {
            Some(high) => line.as_output(value(high)),
            None => line.as_input(),
        };
        self.request.reconfigure(&config).map_err(|error| broken(pin, &error))
    }
}

impl Pins for GpioLines {
    fn drive(&mut self, pin: Pin, high: bool) -> io::Result<()> {
        self.configure(pin, Some(high))
    }

    fn release(&mut self, pin: Pin) -> io::Result<()> {
        self.configure(pin, None)
    }

    fn put(&mut self, sck: bool, mosi: bool) -> io::Result<()> {
        let mut values = Values::default();
        values.set(self.numbers.sck, value(sck)).set(self.numbers.mosi, value(mosi));
        self.request.set_values(&values).map_err(|error| broken(Pin::Sck, &error))
    }

    fn read(&mut self, pin: Pin) -> io::Result<bool> {
        let read = self.request.value(self.numbers.of(pin)).map_err(|error| broken(pin, &error))?;
        Ok(read == Value::Active)
    }
}

fn value(high: bool) -> Value {
    if high { Value::Active } else { Value::Inactive }
}

fn broken(pin: Pin, error: &gpiocdev::Error) -> io::Error {
    io::Error::other(format!("the GPIO line of {pin}: {error}"))
}
