"""What each kind of problem means and what to do about it, by code."""

from django.utils.translation import gettext_noop

WORDS: dict[str, tuple[str, str]] = {
    "bad-request": (
        gettext_noop("The request itself is malformed: a header, the address or the method of sending."),
        gettext_noop("Read 'detail', mend the request and send it again."),
    ),
    "not-signed-in": (
        gettext_noop(
            "Nobody is named, or the token is unknown, expired or revoked. Which of these is not told."
        ),
        gettext_noop("Sign in again, or ask the owner of your company for a new key."),
    ),
    "forbidden": (
        gettext_noop("It is known who asks, and this is not for their role or for this kind of key."),
        gettext_noop("Ask somebody with the role that 'detail' names."),
    ),
    "second-factor-needed": (
        gettext_noop(
            "The password is right, and the person has a second factor or the company asks them for one."
        ),
        gettext_noop(
            "Send the code of the authenticator as 'code', or set up the second factor on the page."
        ),
    ),
    "sign-in-again": (
        gettext_noop(
            "What takes a whole company away asks who is at the browser: the last sign-in is too long ago."
        ),
        gettext_noop("Sign in again on the page, then repeat it within ten minutes. No key can do it."),
    ),
    "over-quota": (
        gettext_noop("The company has as many of this, or stores as much, as the operators allow it."),
        gettext_noop("Remove what is not needed any more, or ask the operators for more."),
    ),
    "not-found": (
        gettext_noop(
            "There is nothing by that id in your company. What belongs to another company looks the same."
        ),
        gettext_noop("Check the id and that you work in the right company."),
    ),
    "method-not-allowed": (
        gettext_noop(
            "The address exists but does not take this method."
            " Evidence, for one, is never changed or deleted."
        ),
        gettext_noop("See the header 'Allow'."),
    ),
    "not-acceptable": (
        gettext_noop("The header 'Accept' rules out JSON."),
        gettext_noop("Accept application/json."),
    ),
    "conflict": (
        gettext_noop(
            "It would contradict what is stored, such as a name that is taken or a state that is past."
        ),
        gettext_noop(
            "Look at the present state, then decide again. With 'Retry-After', try again after that."
        ),
    ),
    "changed-meanwhile": (
        gettext_noop("Somebody changed it after you looked; your change would undo theirs unseen."),
        gettext_noop("Fetch it again, and repeat your change with the new ETag in 'If-Match'."),
    ),
    "too-large": (
        gettext_noop("The body is larger than this address takes."),
        gettext_noop("Send it in parts."),
    ),
    "unsupported-media-type": (
        gettext_noop("The body is of a kind that is not understood here, or is compressed."),
        gettext_noop("Send application/json in UTF-8, without Content-Encoding."),
    ),
    "invalid": (
        gettext_noop("The request is well formed but its values are not valid. Nothing of it was stored."),
        gettext_noop("See 'errors': each names the place and what to put there."),
    ),
    "precondition-required": (
        gettext_noop("A change must say which state it was made on."),
        gettext_noop("Send 'If-Match' with the ETag that came with what you saw."),
    ),
    "too-many": (
        gettext_noop("There were too many requests, or too many wrong passwords or codes, in a short time."),
        gettext_noop("Wait as long as 'Retry-After' says."),
    ),
    "bad-json": (
        gettext_noop("The body is not JSON as the standard defines it, or says a thing twice."),
        gettext_noop("See 'detail' for the place. Numbers are finite, names stand once, the text is UTF-8."),
    ),
    "idempotency-key": (
        gettext_noop("Requests that make something need a key, so that a repeat does not make it twice."),
        gettext_noop(
            "Send 'Idempotency-Key' with a new UUID for each new request and the same one for its repeats."
        ),
    ),
    "busy": (
        gettext_noop("The service or its database is busy or away. Nothing was stored."),
        gettext_noop("Repeat the same request after 'Retry-After'."),
    ),
    "unexpected": (
        gettext_noop("Something failed that should not. It is in the service's log under the request's id."),
        gettext_noop("Repeat the request. If it fails again, tell the operator the id in 'instance'."),
    ),
    "malformed": (
        gettext_noop("A batch from the field is not what this address takes."),
        gettext_noop("See 'errors' for the place. Nothing of the batch was stored."),
    ),
    "no-photo": (
        gettext_noop("The file is no JPEG, PNG or WebP picture, or it carries more than the picture."),
        gettext_noop("See 'detail'. Save it anew as a picture without its particulars, then send that."),
    ),
    "mismatching-upload-offset": (
        gettext_noop("A part of an upload does not begin where the upload ends."),
        gettext_noop("Go on from the byte that 'Upload-Offset' names; what had arrived is kept."),
    ),
    "known-with-other-content": (
        gettext_noop("Something else is stored under this id already. What is stored stays as it is."),
        gettext_noop("Send it under a new id, or ask what is stored under this one."),
    ),
}
