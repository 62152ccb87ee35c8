"""What each kind of problem means and what to do about it, by code."""

WORDS: dict[str, tuple[str, str]] = {
    "bad-request": (
        "The request itself is malformed: a header, the address or the method of sending.",
        "Read 'detail', mend the request and send it again.",
    ),
    "not-signed-in": (
        "Nobody is named, or the token is unknown, expired or revoked. Which of these is not told.",
        "Sign in again, or ask the owner of your company for a new key.",
    ),
    "forbidden": (
        "It is known who asks, and this is not for their role or for this kind of key.",
        "Ask somebody with the role that 'detail' names.",
    ),
    "not-found": (
        "There is nothing by that id in your company. What belongs to another company looks the same.",
        "Check the id and that you work in the right company.",
    ),
    "method-not-allowed": (
        "The address exists but does not take this method. Evidence, for one, is never changed or deleted.",
        "See the header 'Allow'.",
    ),
    "not-acceptable": ("The header 'Accept' rules out JSON.", "Accept application/json."),
    "conflict": (
        "It would contradict what is stored, such as a name that is taken or a state that is past.",
        "Look at the present state, then decide again. With 'Retry-After', try again after that.",
    ),
    "changed-meanwhile": (
        "Somebody changed it after you looked; your change would undo theirs unseen.",
        "Fetch it again, and repeat your change with the new ETag in 'If-Match'.",
    ),
    "too-large": ("The body is larger than this address takes.", "Send it in parts."),
    "unsupported-media-type": (
        "The body is of a kind that is not understood here, or is compressed.",
        "Send application/json in UTF-8, without Content-Encoding.",
    ),
    "invalid": (
        "The request is well formed but its values are not valid. Nothing of it was stored.",
        "See 'errors': each names the place and what to put there.",
    ),
    "precondition-required": (
        "A change must say which state it was made on.",
        "Send 'If-Match' with the ETag that came with what you saw.",
    ),
    "too-many": (
        "There were too many requests, or too many wrong passwords or codes, in a short time.",
        "Wait as long as 'Retry-After' says.",
    ),
    "bad-json": (
        "The body is not JSON as the standard defines it, or says a thing twice.",
        "See 'detail' for the place. Numbers are finite, names stand once, the text is UTF-8.",
    ),
    "idempotency-key": (
        "Requests that make something need a key, so that a repeat does not make it twice.",
        "Send 'Idempotency-Key' with a new UUID for each new request and the same one for its repeats.",
    ),
    "busy": (
        "The service or its database is busy or away. Nothing was stored.",
        "Repeat the same request after 'Retry-After'.",
    ),
    "unexpected": (
        "Something failed that should not. It is in the service's log under the request's id.",
        "Repeat the request. If it fails again, tell the operator the id in 'instance'.",
    ),
    "malformed": (
        "A batch from the field is not what this address takes.",
        "See 'errors' for the place. Nothing of the batch was stored.",
    ),
}
