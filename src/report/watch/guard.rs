//! Who gets what: every request is judged here, before anything is looked at for it.
//!
//! Listening on loopback keeps other machines out, but not the other programs of this one, and not a web page that the
//! technician's browser shows meanwhile: its script can send requests here, and with a name that resolves to 127.0.0.1
//! ("DNS rebinding") read the answers. So the address holds a random token, and the `Host` field must name this machine
//! by number or as `localhost`, which no foreign page's requests do.

use hyper::header::HOST;
use hyper::{Method, Request, StatusCode};

/// What is served.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Wanted {
    /// The page.
    Page,
    /// Its parts as they are now, as JSON.
    State,
}

/// What a request gets: a part of the site, or a refusal.
pub(super) fn admit<B>(request: &Request<B>, port: u16, token: &str) -> Result<Wanted, StatusCode> {
    let mut hosts = request.headers().get_all(HOST).iter();
    let named = match (hosts.next(), hosts.next()) {
        (Some(host), None) => host.to_str().is_ok_and(|host| is_own(host, port)),
        _ => false,
    };
    // In absolute form the target names the host (RFC 9112, 3.2.2).
    if !named || request.uri().authority().is_some_and(|authority| !is_own(authority.as_str(), port)) {
        return Err(StatusCode::MISDIRECTED_REQUEST);
    }
    if request.method() != Method::GET {
        return Err(StatusCode::METHOD_NOT_ALLOWED);
    }
    let path = request.uri().path();
    let (given, rest) = path.strip_prefix('/').and_then(|path| path.split_once('/')).ok_or(StatusCode::NOT_FOUND)?;
    // Hashes are compared in constant time; how long it takes to hash says nothing of the token.
    if blake3::hash(given.as_bytes()) != blake3::hash(token.as_bytes()) {
        return Err(StatusCode::NOT_FOUND);
    }
    match rest {
        "" => Ok(Wanted::Page),
        "state" => Ok(Wanted::State),
        _ => Err(StatusCode::NOT_FOUND),
    }
}

/// Whether a host with its port is this server. On port 80 browsers leave the port out (RFC 9110, 4.2.3).
fn is_own(authority: &str, port: u16) -> bool {
    let (host, given) = match authority.rsplit_once(':') {
        Some((host, digits)) => (host, digits.parse().ok()),
        None => (authority, Some(80)),
    };
    given == Some(port) && (host == "127.0.0.1" || host.eq_ignore_ascii_case("localhost"))
}

#[cfg(test)]
mod tests {
    use super::*;

    const TOKEN: &str = "0123456789abcdef0123456789abcdef";

    fn ask(method: &str, target: &str, hosts: &[&str]) -> Result<Wanted, u16> {
        let mut request = Request::builder().method(method).uri(target);
        for host in hosts {
            request = request.header("Host", *host);
        }
        admit(&request.body(()).unwrap(), 8080, TOKEN).map_err(|status| status.as_u16())
    }

    #[test]
    fn the_page_and_its_state_and_nothing_else() {
        let own = ["127.0.0.1:8080"];
        let get = |path: &str| ask("GET", path, &own);
        assert_eq!(get(&format!("/{TOKEN}/")), Ok(Wanted::Page));
        assert_eq!(get(&format!("/{TOKEN}/state")), Ok(Wanted::State));
        assert_eq!(get(&format!("/{TOKEN}/state?x=1")), Ok(Wanted::State));
        assert_eq!(ask("GET", &format!("http://localhost:8080/{TOKEN}/"), &["LOCALHOST:8080"]), Ok(Wanted::Page));
        for path in ["/", "//", "/state", "/favicon.ico", "/../", "/0123456789abcdef0123456789abcdee/"] {
            assert_eq!(get(path), Err(404), "{path}");
        }
        for rest in ["", "/../case.json", "/case.json", "/state/", "//", "/%2e%2e/case.json", "/..%2fcase.json"] {
            assert_eq!(get(&format!("/{TOKEN}{rest}")), Err(404), "{rest}");
        }
        assert_eq!(get(&format!("/{}/", TOKEN.to_uppercase())), Err(404));
    }

    /// RFC 9110, 9.3 and 15.5.6: the methods there are, and the status for one that is not allowed.
    #[test]
    fn no_other_method() {
        for method in ["HEAD", "POST", "PUT", "DELETE", "OPTIONS", "TRACE", "PATCH", "BREW"] {
            assert_eq!(ask(method, &format!("/{TOKEN}/"), &["127.0.0.1:8080"]), Err(405), "{method}");
            assert_eq!(ask(method, "/", &["127.0.0.1:8080"]), Err(405), "{method}");
        }
    }

    /// RFC 9110, 15.5.20 (421), and RFC 9112, 3.2: a request has exactly one Host.
    #[test]
    fn only_its_own_name() {
        let page = format!("/{TOKEN}/");
        for hosts in [
            &[][..],
            &["127.0.0.1:8080", "127.0.0.1:8080"],
            &["rebound.example:8080"],
            &["127.0.0.1"],
            &["127.0.0.1:8081"],
            &["127.0.0.1.example:8080"],
            &["localhost.example:8080"],
            &["x@127.0.0.1:8080"],
            &["[::1]:8080"],
            &["127.0.0.1:8080:8080"],
            &[""],
        ] {
            assert_eq!(ask("GET", &page, hosts), Err(421), "{hosts:?}");
        }
        assert_eq!(ask("GET", &format!("http://rebound.example:8080{page}"), &["127.0.0.1:8080"]), Err(421));
        assert!(is_own("localhost", 80) && !is_own("localhost", 8080));
    }
}
