//! `nightfix serve`: requests in, answers out.

mod args;

pub use args::ServeArgs;

use super::{Status, complain, stop};
use crate::report::atomic;
use crate::serve::listen::{Listener, answer_callers};
use crate::serve::{Desk, End, converse};
use crate::sky::Sky;
use std::io::{self, Write};
use std::sync::atomic::AtomicUsize;

type Failure = (String, Status);

/// Serves until the input ends, or the process is asked to end.
pub fn run(args: &ServeArgs) -> Status {
    attempt(args).unwrap_or_else(|(message, status)| {
        complain(&message);
        status
    })
}

fn attempt(args: &ServeArgs) -> Result<Status, Failure> {
    args.known
        .limit_threads()
        .map_err(|refusal| (refusal, Status::Internal))?;
    let sky = args.known.sky();
    let sky = sky.map_err(|refusal| (refusal.to_string(), Status::IndexNotUsable))?;
    let token = token(args)?;
    let listener = listener(args)?;
    stop::between_writes();
    let desk = Desk::new(args.known.known(), args.most_bytes);
    let workers = args.workers.map_or(args.known.thread_count(), usize::from);
    match listener {
        Some(listener) => {
            complain(&format!("listening on {}", listener.place()));
            on_socket(&listener, &desk, &sky, workers, token.as_deref())
        }
        None => on_standard_streams(&desk, &sky, workers),
    }
}

fn on_standard_streams(desk: &Desk, sky: &Sky, workers: usize) -> Result<Status, Failure> {
    let end = std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| desk.work(sky));
        }
        let end = converse(io::stdin().lock(), Box::new(Answers(io::stdout())), desk);
        desk.close();
        end
    });
    match end {
        End::Answered => Ok(Status::Solved),
        End::NobodyReads => Ok(Status::Interrupted),
        End::Broken(failure) => Err((
            format!("standard input or output: {failure}"),
            Status::OutputNotWritable,
        )),
    }
}

/// Standard output. Whoever waits for the next request would never notice that nobody reads the
/// answers any more: that ends the process at once.
struct Answers(io::Stdout);

impl Answers {
    fn heard<T>(result: io::Result<T>) -> io::Result<T> {
        if let Err(failure) = &result
            && failure.kind() == io::ErrorKind::BrokenPipe
        {
            atomic::exit_between_writes(Status::Interrupted.number().into());
        }
        result
    }
}

impl Write for Answers {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        Answers::heard(self.0.write(bytes))
    }

    fn flush(&mut self) -> io::Result<()> {
        Answers::heard(self.0.flush())
    }
}

fn on_socket(
    listener: &Listener,
    desk: &Desk,
    sky: &Sky,
    workers: usize,
    token: Option<&str>,
) -> Result<Status, Failure> {
    let callers = AtomicUsize::new(0);
    let ended = std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| desk.work(sky));
        }
        let ended = answer_callers(listener, desk, token, &callers, scope);
        desk.close();
        ended
    });
    let place = listener.place();
    ended.map_err(|failure| (format!("{place}: {failure}"), Status::Internal))?;
    Ok(Status::Solved)
}

fn listener(args: &ServeArgs) -> Result<Option<Listener>, Failure> {
    let failed = |place: String, failure: io::Error| {
        let message = format!("{place}: nobody can be heard there: {failure}; name another");
        (message, Status::OutputNotWritable)
    };
    if let Some(port) = args.port {
        let listener = Listener::tcp(port);
        return listener
            .map(Some)
            .map_err(|failure| failed(format!("--port {port}"), failure));
    }
    let Some(path) = &args.socket else {
        return Ok(None);
    };
    #[cfg(unix)]
    let listener = Listener::unix(path).map(Some);
    #[cfg(not(unix))]
    let listener = Err(io::Error::other(
        "this system has no Unix sockets: use --port",
    ));
    listener.map_err(|failure| failed(path.display().to_string(), failure))
}

/// The text of the token's file without its line end.
fn token(args: &ServeArgs) -> Result<Option<String>, Failure> {
    let Some(path) = &args.token_file else {
        return Ok(None);
    };
    let failed = |what: String| {
        (
            format!("{}: {what}", path.display()),
            Status::FrameNotReadable,
        )
    };
    if args.port.is_none() && args.socket.is_none() {
        let what = "a token is for callers who connect: add --port or --socket".into();
        return Err((what, Status::Usage));
    }
    let text = std::fs::read_to_string(path).map_err(|failure| failed(failure.to_string()))?;
    match text.trim() {
        "" => Err(failed("is empty, and would let everybody in".into())),
        token => Ok(Some(token.to_owned())),
    }
}
