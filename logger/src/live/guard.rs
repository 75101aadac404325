//! Who is let in.
//!
//! - On a loopback address only programs of this computer can connect, but a web page from elsewhere may run in one of
//!   them. It gives itself away by the host name that it uses (rebinding) or by its origin.
//! - On any other address a request needs the token, as a cookie, as a bearer, or in the address.
//! - What is posted must come from a page of this server, or from no page at all.

use std::net::{IpAddr, SocketAddr};

use axum::http::{HeaderMap, HeaderName, Method, StatusCode, Uri, header};

use super::Token;

const SEC_FETCH_SITE: HeaderName = HeaderName::from_static("sec-fetch-site");

/// What a server lets in.
#[derive(Debug, Clone)]
pub(super) struct Guard {
    token: Option<Token>,
    cookie: String,
}

/// A request that is let in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Admitted {
    /// Set this cookie with the answer: the token came in the address.
    pub(super) cookie: Option<String>,
}

/// Why a request is not let in.
pub(super) type Refusal = (StatusCode, &'static str);

impl Guard {
    /// For a server on an address; without a token only loopback ones are meant to be.
    pub(super) fn new(address: SocketAddr, token: Option<Token>) -> Self {
        // Cookies do not keep ports apart; two loggers on one computer should.
        Self { token, cookie: format!("tallywheel-{}", address.port()) }
    }

    /// # Errors
    /// With the answer for a request that is not let in.
    pub(super) fn admit(&self, method: &Method, uri: &Uri, headers: &HeaderMap) -> Result<Admitted, Refusal> {
        let host = text(headers, &header::HOST).unwrap_or_default();
        let admitted = match &self.token {
            None if is_local_name(host) => Admitted { cookie: None },
            None => return Err((StatusCode::FORBIDDEN, "this page is known as localhost or by its IP address only\n")),
            Some(token) => self.check_token(token, uri, headers)?,
        };
        if *method != Method::GET && *method != Method::HEAD && !is_own_origin(host, headers) {
            return Err((StatusCode::FORBIDDEN, "only the logger's own page may send this\n"));
        }
        Ok(admitted)
    }

    fn check_token(&self, token: &Token, uri: &Uri, headers: &HeaderMap) -> Result<Admitted, Refusal> {
        let pairs = uri.query().unwrap_or_default().split('&').filter_map(|pair| pair.split_once('='));
        let in_address = pairs.filter(|(name, _)| *name == "token").any(|(_, offered)| token.is(offered));
        if in_address {
            // Twelve hours: a working day, over restarts of the tablet's browser.
            let cookie = format!("{}={}; Path=/; Max-Age=43200; HttpOnly; SameSite=Strict", self.cookie, token.text());
            return Ok(Admitted { cookie: Some(cookie) });
        }
        let bearer = text(headers, &header::AUTHORIZATION).and_then(|a| a.strip_prefix("Bearer "));
        let cookies = headers.get_all(header::COOKIE).iter().filter_map(|c| c.to_str().ok());
        let cookies = cookies.flat_map(|c| c.split(';')).filter_map(|c| c.trim().split_once('='));
        let mut offered = cookies.filter(|(name, _)| *name == self.cookie).map(|(_, value)| value).chain(bearer);
        if offered.any(|offered| token.is(offered)) {
            return Ok(Admitted { cookie: None });
        }
        Err((
            StatusCode::UNAUTHORIZED,
            "a token is needed: open the whole address that the logger printed at its start\n",
        ))
    }
}

fn text<'a>(headers: &'a HeaderMap, name: &HeaderName) -> Option<&'a str> {
    headers.get(name).and_then(|value| value.to_str().ok())
}

/// An IP address or `localhost`, with or without a port: names that no foreign name server decides about.
fn is_local_name(host: &str) -> bool {
    let name = match host.strip_prefix('[').and_then(|rest| rest.split_once(']')) {
        Some((v6, _)) => return v6.parse::<IpAddr>().is_ok(),
        None => host.rsplit_once(':').map_or(host, |(name, _)| name),
    };
    name.eq_ignore_ascii_case("localhost") || name.parse::<IpAddr>().is_ok()
}

/// Browsers name the origin of whatever they post; other programs have none.
fn is_own_origin(host: &str, headers: &HeaderMap) -> bool {
    let origin_fits = match headers.get(header::ORIGIN) {
        None => true,
        Some(origin) => origin.to_str().ok().and_then(|o| o.strip_prefix("http://")) == Some(host) && !host.is_empty(),
    };
    let site_fits = headers.get(SEC_FETCH_SITE).is_none_or(|site| site == "same-origin" || site == "none");
    origin_fits && site_fits
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        pairs.iter().map(|(n, v)| (HeaderName::from_static(n), v.parse().expect("a value"))).collect()
    }

    fn status(guard: &Guard, method: &Method, uri: &str, pairs: &[(&'static str, &str)]) -> u16 {
        let uri: Uri = uri.parse().expect("an address");
        guard.admit(method, &uri, &headers(pairs)).map_or_else(|(status, _)| status.as_u16(), |_| 200)
    }

    #[test]
    fn on_loopback_a_foreign_name_or_origin_is_refused() {
        let guard = Guard::new(SocketAddr::from(([127, 0, 0, 1], 8471)), None);
        let get = |host: &str| status(&guard, &Method::GET, "/", &[("host", host)]);
        assert_eq!(["127.0.0.1:8471", "localhost:8471", "LOCALHOST", "[::1]:8471", "127.0.0.1"].map(get), [200; 5]);
        assert_eq!(
            ["elsewhere.example", "127.0.0.1.elsewhere.example:8471", "", "[x]:1", "localhost.example"].map(get),
            [403; 5]
        );
        let post = |more: &[(&'static str, &str)]| {
            status(&guard, &Method::POST, "/mark", &[&[("host", "localhost:8471")], more].concat())
        };
        assert_eq!(post(&[]), 200, "a program without pages");
        assert_eq!(post(&[("origin", "http://localhost:8471"), ("sec-fetch-site", "same-origin")]), 200);
        for foreign in ["http://elsewhere.example", "http://localhost:9", "https://localhost:8471", "null", ""] {
            assert_eq!(post(&[("origin", foreign)]), 403, "{foreign}");
        }
        assert_eq!(post(&[("sec-fetch-site", "cross-site")]), 403);
    }

    #[test]
    fn elsewhere_the_token_is_needed_in_one_of_three_places() {
        let token = Token::new_random().expect("bytes");
        let guard = Guard::new(SocketAddr::from(([0, 0, 0, 0], 8471)), Some(token.clone()));
        let get = |uri: &str, name: &'static str, value: &str| {
            status(&guard, &Method::GET, uri, &[("host", "van.example"), (name, value)])
        };
        let (right, wrong) = (token.text(), "0".repeat(32));
        assert_eq!(get(&format!("/?token={right}"), "accept", "*/*"), 200);
        assert_eq!(get("/", "authorization", &format!("Bearer {right}")), 200);
        assert_eq!(get("/", "cookie", &format!("other=1; tallywheel-8471={right}")), 200);
        assert_eq!(get(&format!("/?token={wrong}"), "accept", "*/*"), 401);
        assert_eq!(get(&format!("/?tokens={right}"), "accept", "*/*"), 401);
        assert_eq!(get("/", "authorization", &format!("Bearer {wrong}")), 401);
        assert_eq!(get("/", "authorization", right), 401);
        assert_eq!(get("/", "cookie", &format!("tallywheel-8472={right}")), 401, "another logger's");
        assert_eq!(get("/values", "accept", "*/*"), 401);
        let cookie =
            guard.admit(&Method::GET, &format!("/?token={right}").parse().expect("an address"), &HeaderMap::new());
        assert!(cookie.is_ok_and(|a| a.cookie.is_some_and(|c| c.ends_with("; HttpOnly; SameSite=Strict"))));
    }
}
