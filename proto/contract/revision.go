package contract

// Revision is the newest revision of the contract that this program knows. A till
// says by which one it was built in the request metadata alkalog-revision. It is
// raised when an answer has to differ for tills that do not know the new one.
const Revision = 2
