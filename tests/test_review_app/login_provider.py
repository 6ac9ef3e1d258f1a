"""A login provider for tests: OpenID Connect Core 1.0, authorization code flow, no password asked."""

from __future__ import annotations

import json
import secrets
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

CLIENT = "coupler-rounds-test"


class LoginProvider:
    """Says that whoever comes is ``facts`` (the claims of the ID token)."""

    def __init__(self) -> None:
        from joserfc.jwk import RSAKey

        self.key = RSAKey.generate_key(2048, {"kid": "test", "use": "sig", "alg": "RS256"})
        self.facts: dict[str, Any] = {}
        self.codes: dict[str, str | None] = {}
        self.server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(self))
        self.address = f"http://127.0.0.1:{self.server.server_port}"
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def close(self) -> None:
        """Stop answering."""
        self.server.shutdown()
        self.server.server_close()

    def secrets_toml(self, app: str) -> str:
        """Return what an operator writes into ``secrets.toml`` for the app at ``app``."""
        return (
            f'[auth]\nredirect_uri = "{app}/oauth2callback"\ncookie_secret = "{secrets.token_hex(16)}"\n'
            f'client_id = "{CLIENT}"\nclient_secret = "{secrets.token_hex(8)}"\n'
            f'server_metadata_url = "{self.address}/.well-known/openid-configuration"\n'
        )

    def metadata(self) -> dict[str, Any]:
        """Return the discovery document (OpenID Connect Discovery 1.0)."""
        return {
            "issuer": self.address,
            "authorization_endpoint": f"{self.address}/authorize",
            "token_endpoint": f"{self.address}/token",
            "jwks_uri": f"{self.address}/keys",
            "response_types_supported": ["code"],
            "subject_types_supported": ["public"],
            "id_token_signing_alg_values_supported": ["RS256"],
        }

    def authorize(self, asked: dict[str, list[str]]) -> str:
        """Return where the browser goes after the login."""
        code = secrets.token_hex(8)
        self.codes[code] = asked.get("nonce", [None])[0]
        return f"{asked['redirect_uri'][0]}?{urlencode({'code': code, 'state': asked['state'][0]})}"

    def token(self, code: str) -> dict[str, Any]:
        """Return the tokens for a code, once."""
        from joserfc import jwt

        now = int(time.time())
        claims = {"iss": self.address, "aud": CLIENT, "sub": "1", "iat": now, "exp": now + 600, **self.facts}
        nonce = self.codes.pop(code)
        if nonce is not None:
            claims["nonce"] = nonce
        signed = jwt.encode({"alg": "RS256", "kid": "test"}, claims, self.key)
        return {
            "access_token": secrets.token_hex(8),
            "token_type": "Bearer",
            "expires_in": 600,
            "id_token": signed,
        }


def _handler(provider: LoginProvider) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            url = urlsplit(self.path)
            if url.path == "/authorize":
                self.send_response(302)
                self.send_header("Location", provider.authorize(parse_qs(url.query)))
                self.end_headers()
            elif url.path == "/keys":
                self._answer({"keys": [provider.key.as_dict(private=False)]})
            else:
                self._answer(provider.metadata())

        def do_POST(self) -> None:
            sent = parse_qs(self.rfile.read(int(self.headers["Content-Length"])).decode())
            self._answer(provider.token(sent["code"][0]))

        def _answer(self, value: dict[str, Any]) -> None:
            body = json.dumps(value).encode()
            self.send_response(200)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:
            """Say nothing."""

    return Handler
