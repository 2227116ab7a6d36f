"""A mail server for the tests, on a free port of this machine: STARTTLS, a log-in, and
addresses that it turns down for now (later@) and for good (never@). In the mode tls all of it
is TLS, from the start. It prints its port, then each mail that it took as a line of JSON."""
import asyncio, json, ssl, sys
from aiosmtpd.smtp import SMTP, AuthResult

cert, key, mode = sys.argv[1:4]


class Handler:
    async def handle_RCPT(self, server, session, envelope, address, options):
        if address.startswith("never@"):
            return "550 5.1.1 nobody of that name"
        if address.startswith("later@"):
            return "451 4.3.0 try again"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        print(json.dumps({
            "from": envelope.mail_from, "to": envelope.rcpt_tos, "tls": session.ssl is not None,
            "user": session.authenticated, "data": envelope.content.decode("utf-8"),
        }), flush=True)
        return "250 OK"


def login(server, session, envelope, mechanism, data):
    good = data.login == b"slipway" and data.password == b"pa55word"
    return AuthResult(success=good, handled=False)


async def main():
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(cert, key)

    def protocol():
        return SMTP(Handler(), tls_context=context if mode == "starttls" else None, require_starttls=mode == "starttls",
                    authenticator=login, auth_required=mode != "plain", auth_require_tls=mode != "tls", enable_SMTPUTF8=True)

    loop = asyncio.get_running_loop()
    server = await loop.create_server(protocol, "127.0.0.1", 0, ssl=context if mode == "tls" else None)
    print(server.sockets[0].getsockname()[1], flush=True)
    await server.serve_forever()


asyncio.run(main())
