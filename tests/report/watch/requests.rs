//! What is served to whom.

use crate::watch::{DRIVE_BYTES, TIMING, get, new_case, send, serve};
use gleaner::report::watch::WatchEnd;
use std::io::{Read, Write};
use std::net::{Ipv4Addr, TcpStream, UdpSocket};
use std::time::{Duration, Instant};

#[test]
fn what_is_refused_over_the_wire() {
    let folder = tempfile::tempdir().unwrap();
    let case = folder.path().join("case");
    let _case = new_case(&case);
    let served = serve(&case);
    let (port, token) = (served.port, served.token.clone());
    assert_eq!(token.len(), 32, "122 random bits as hexadecimal digits");
    let ask = |method: &str, target: &str, host: &str, more: &str| {
        send(port, format!("{method} {target} HTTP/1.1\r\nHost: {host}\r\n{more}\r\n").as_bytes()).unwrap()
    };
    let own = format!("127.0.0.1:{port}");
    let page = format!("/{token}/");
    assert_eq!(ask("GET", &page, &own, "").status, 200);
    assert_eq!(ask("GET", &page, &format!("localhost:{port}"), "").status, 200);
    // A name that resolves to this machine is what DNS rebinding rests on.
    for host in ["rebound.example", "127.0.0.1", "0.0.0.0:80", &format!("rebound.example:{port}"), ""] {
        assert_eq!(ask("GET", &page, host, "").status, 421, "{host}");
    }
    assert_eq!(send(port, format!("GET {page} HTTP/1.0\r\n\r\n").as_bytes()).unwrap().status, 421);
    for method in ["HEAD", "POST", "PUT", "DELETE", "OPTIONS", "PATCH", "TRACE"] {
        let answer = ask(method, &page, &own, "Content-Length: 0\r\n");
        assert_eq!(answer.status, 405, "{method}");
        assert!(answer.head.contains("\r\nallow: get\r\n"));
    }
    // What a page of another site could send without being asked first.
    let foreign = ask("GET", &format!("{page}state"), &own, "Origin: https://elsewhere.example\r\n");
    assert!(!foreign.head.contains("access-control-"), "{}", foreign.head);
    for target in [
        "/".to_owned(),
        "/state".to_owned(),
        format!("/{token}"),
        format!("/{}/", &token[1..]),
        format!("/{token}x/"),
        format!("/{token}/../case.json"),
        format!("/{token}/%2e%2e/case.json"),
        format!("/{token}/case.json"),
        format!("/{token}/..\\case.json"),
        "/../../../../etc/passwd".to_owned(),
        format!("//{token}/"),
        format!("/?{token}/"),
    ] {
        let answer = ask("GET", &target, &own, "");
        assert_eq!((answer.status, answer.body.as_str()), (404, "Not Found\n"), "{target}");
    }
    assert_eq!(served.stop(), WatchEnd::Asked);
}

/// The fields are those of RFC 9111 (no-store), the Fetch standard (nosniff, Cross-Origin-Resource-Policy), CSP level 3
/// and the HTML standard (Cross-Origin-Opener-Policy).
#[test]
fn nothing_is_cached_framed_or_loaded_from_elsewhere() {
    let folder = tempfile::tempdir().unwrap();
    let case = folder.path().join("case");
    let _case = new_case(&case);
    let served = serve(&case);
    for target in [format!("/{}/", served.token), format!("/{}/state", served.token), "/wrong".to_owned()] {
        let head = get(served.port, &target).head;
        for field in [
            "cache-control: no-store",
            "x-content-type-options: nosniff",
            "referrer-policy: no-referrer",
            "cross-origin-resource-policy: same-origin",
            "cross-origin-opener-policy: same-origin",
            "x-frame-options: deny",
            "content-security-policy: default-src 'none'",
        ] {
            assert!(head.contains(&format!("\r\n{field}")), "{target}: {field} is missing: {head}");
        }
        assert!(!head.contains("unsafe") && !head.contains("set-cookie"), "{head}");
    }
    let nonce = || {
        let answer = get(served.port, &format!("/{}/", served.token));
        let nonce = answer.head.split("script-src 'nonce-").nth(1).unwrap().split('\'').next().unwrap().to_owned();
        for tag in ["<script", "<style"] {
            let tags: Vec<&str> = answer.body.split(tag).skip(1).map(|rest| rest.split('>').next().unwrap()).collect();
            assert_eq!(tags, [format!(" nonce=\"{nonce}\"")], "the only one is its own");
        }
        assert!(!answer.body.contains(" style=\"") && !answer.body.contains("src=") && !answer.body.contains("href="));
        assert!(answer.body.contains("Fernhollow &lt;script&gt;"));
        nonce
    };
    assert_ne!(nonce(), nonce());
    served.stop();
}

#[test]
fn requests_that_are_none_harm_nobody() {
    let folder = tempfile::tempdir().unwrap();
    let case = folder.path().join("case");
    let _case = new_case(&case);
    let served = serve(&case);
    let long = "x".repeat(100_000);
    let fields = "A: b\r\n".repeat(2000);
    for bytes in [
        b"\0\0\0\0\r\n\r\n".to_vec(),
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03".to_vec(),
        b"GET\r\n\r\n".to_vec(),
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n".to_vec(),
        format!("GET /{long} HTTP/1.1\r\nHost: x\r\n\r\n").into_bytes(),
        format!("GET / HTTP/1.1\r\n{fields}\r\n").into_bytes(),
        format!("GET / HTTP/1.1\r\nHost: {long}\r\n\r\n").into_bytes(),
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 99999999999999999999\r\n\r\n".to_vec(),
    ] {
        // The server may hang up before all is sent: that is an answer too.
        if let Ok(answer) = send(served.port, &bytes) {
            assert!(answer.status == 0 || (400..=431).contains(&answer.status), "{}", answer.head);
        }
        assert!(served.page().ends_with("</html>\n"));
    }
    served.stop();
}

/// Who asks a byte at a time, or does not take the answer, keeps nobody waiting, and is sent away.
#[test]
fn slow_visitors_block_nobody() {
    let folder = tempfile::tempdir().unwrap();
    let case = folder.path().join("case");
    let _case = new_case(&case);
    let served = serve(&case);
    let connect = || {
        let stream = TcpStream::connect(("127.0.0.1", served.port)).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
        stream
    };
    let mut slow: Vec<TcpStream> = (0..40).map(|_| connect()).collect();
    for stream in &mut slow {
        stream.write_all(b"GET / HT").unwrap();
    }
    let start = Instant::now();
    for _ in 0..20 {
        served.page();
    }
    assert!(start.elapsed() < Duration::from_secs(5), "{:?}", start.elapsed());
    // More of them than there is room for: the room is free again when their time is over.
    slow.extend((0..100).map(|_| connect()));
    std::thread::sleep(TIMING.visit * 2);
    let mut rest = Vec::new();
    for stream in &mut slow {
        // Closed, with or without what was sent before having been read.
        let _ = stream.read_to_end(&mut rest);
    }
    served.page();
    assert_eq!(served.stop(), WatchEnd::Asked);
}

/// Only the loopback interface listens: this machine's own address on a network is refused.
#[test]
fn other_machines_cannot_connect() {
    let folder = tempfile::tempdir().unwrap();
    let case = folder.path().join("case");
    let _case = new_case(&case);
    let served = serve(&case);
    // No packet is sent: connecting a datagram socket only chooses the interface (RFC 5737: 192.0.2.0/24 is nobody's).
    let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).unwrap();
    let own = socket.connect("192.0.2.1:9").and_then(|()| socket.local_addr()).map(|address| address.ip());
    // Another loopback address is not the one that is bound either, and every machine has it.
    let others = own.ok().filter(|ip| !ip.is_loopback() && !ip.is_unspecified()).into_iter();
    for ip in others.chain([Ipv4Addr::new(127, 0, 0, 2).into()]) {
        let refused = TcpStream::connect_timeout(&(ip, served.port).into(), Duration::from_secs(5));
        assert_eq!(refused.unwrap_err().kind(), std::io::ErrorKind::ConnectionRefused, "{ip}");
    }
    assert!(served.page().contains(&gleaner::base::human::bytes(DRIVE_BYTES)));
    served.stop();
}
