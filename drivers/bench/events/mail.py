"""Sends an event by mail: mail.py HOST:PORT FROM TO KIND WORDS (Python, standard library only)."""

import smtplib
import sys
from email.message import EmailMessage

server, sender, to, kind, words = sys.argv[1:6]
host, _, port = server.rpartition(":")
message = EmailMessage()
message["From"], message["To"] = sender, to
message["Subject"] = f"nightbench: {kind}"
message.set_content(words)
with smtplib.SMTP(host, int(port), timeout=8) as connection:
    connection.send_message(message)
