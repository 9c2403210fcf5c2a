"""A real SMTP server for the tests: keeps what it takes in a Maildir and prints its port.

usage: server.py MAILDIR none|starttls|tls [CERT KEY [USER PASSWORD]]
"""

import asyncio
import ssl
import sys

from aiosmtpd.handlers import Mailbox
from aiosmtpd.smtp import SMTP, AuthResult

maildir, mode, cert, key, user, password = (sys.argv[1:] + [None] * 4)[:6]
handler = Mailbox(maildir)
context = None
if cert:
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(cert, key)


def authenticate(server, session, envelope, mechanism, data):
    good = data.login == user.encode() and data.password == password.encode()
    return AuthResult(success=good, handled=good)


options = {"enable_SMTPUTF8": True}
if mode == "starttls":
    options.update(tls_context=context, require_starttls=True)
if user:
    # On the tls port the whole connection is encrypted, which aiosmtpd does not see.
    options.update(authenticator=authenticate, auth_required=True, auth_require_tls=mode == "starttls")


async def main():
    loop = asyncio.get_running_loop()
    server = await loop.create_server(
        lambda: SMTP(handler, **options), "127.0.0.1", 0, ssl=context if mode == "tls" else None
    )
    print(server.sockets[0].getsockname()[1], flush=True)
    await asyncio.Event().wait()


asyncio.run(main())
