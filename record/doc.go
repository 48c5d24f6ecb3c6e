// Package record is the file in which a visit is kept so that it cannot be altered unseen.
//
// This comment is the specification of the file. The vectors in testdata/vectors, good and
// broken, belong to it.
//
// # The file
//
// A record is JSON Lines: one event a line, each line the RFC 8785 form of one object, one LF
// (0x0A) after each line, also the last. A line has exactly these fields:
//
//	body     object   what happened, in words of the kind; this package does not read it
//	boot     string   names the run of the device within which "mono" counts
//	format   string   "meterwright/record/1"
//	key      string   the device's Ed25519 public key
//	kind     string   what sort of event
//	mono     integer  milliseconds of the device's monotonic clock, from 0
//	nature   string   "real" or "practice", the same in every line of a visit
//	person   string   identifier of the person who acted, never a name
//	prev     string   SHA-256 of the whole line before, without its LF; zeros in the first
//	seq      integer  place in the chain, from 0 without gaps
//	sig      string   Ed25519 signature
//	visit    string   UUID version 7 (RFC 9562), the same in every line
//	wall     string   what the device's clock said, as "2006-01-02T15:04:05.000-07:00"
//
// Keys, hashes and signatures are lower-case hexadecimal digits: 64, 64 and 128. "boot" and
// "person" are 1 to 64 letters, digits and . _ : -. A kind is up to 64 lower-case letters and
// digits in words joined by single hyphens or full stops. "wall" has exactly three decimals
// and a numeric offset of whole minutes below 24 hours, +00:00 for UTC; seconds end at 59.
//
// Every number, at any depth, is an integer from -(2^53-1) to 2^53-1 written in plain digits.
// Values that people enter are decimal strings ("0.30", "04127.6"): the digits carry
// resolution.
//
// Only bytes that encode again to the same bytes are accepted. Refused are: unknown, missing
// and repeated fields, at any depth a name twice in one object, invalid UTF-8, escapes of half
// a surrogate pair, any spacing or order other than that of RFC 8785, lines above 262,144 bytes
// without the LF, nesting above 32 levels with the line's own object as the first, and chains
// above 65,536 lines.
//
// # Signature
//
// Let digest be the 32 bytes of the SHA-256 of the line without the field "sig", in RFC 8785
// form: that is the line with the text from the comma before "sig" to the end of its value
// taken out. The signature is pure Ed25519 (RFC 8032) over 52 bytes: the 20 bytes
// "meterwright/event/1" LF, then digest.
//
// Signatures are checked by crypto/ed25519, that is by the equation without the cofactor, with
// S below the group order (RFC 8032 section 5.1.7) and R compared byte for byte, so that nobody
// but the key's holder can make a second signature from a first. That library also accepts keys in encodings with
// y of 2^255-19 and above, and keys of small order under which one signature fits many
// messages; this package refuses both ([Key.Check]). Keys with a part of small order remain:
// only the holder of a private key can make one, and programs that check with the cofactor
// may then judge some of its signatures otherwise.
//
// A signature says that the holder of a key made the line. Who holds a key is for the reader
// to know: see [NamedKey].
//
// # Chains
//
// All lines of one visit and one device key are one chain with its own sequence. Each line
// names the hash of the line before it in its chain. The record understands four kinds:
//
//	opened      the first line of a visit's first chain, and nowhere else
//	taken-over  the first line of every later chain, and of a device that takes the visit
//	            back; its body has "chain", the key of the other device, and "head", the
//	            hash of that chain's last line as far as this device knows it
//	ended       the last line of the visit; only supplements follow it in its chain
//	supplement  a note after the end, such as a reference number received later; it may also
//	            begin a chain of nothing but supplements, and then has "chain" and "head"
//
// A take-over names no line at or after an end, and a supplement that begins a chain names no
// line before one. So two devices never write in one chain, and never conflict. Two different lines with one
// sequence number under one key are a fork: somebody altered the record, or a backup of the
// device was restored. Both versions are kept, in files of their own, and shown.
//
// A file holds one chain, or several whole chains one after another with no key twice; a visit
// may be several files in any order.
//
// # What can be known
//
// Lines missing at the end cannot be seen in a file that ends with a whole line, unless the
// visit has ended or somebody kept a later head elsewhere. Hence these verdicts:
//
//	genuine and ended      every line is genuine; a chain has ended, and every other chain
//	                       has ended too or its last line was taken over; and no chain or
//	                       head that a line names is missing
//	genuine and complete   every line is genuine, nothing that a line names is missing, and
//	up to the head given   each open chain has a head that the reader gave
//	genuine, not ended     every whole line is genuine, but lines may be missing; the notes
//	                       say where, also if the last line is cut
//	in two versions        every line is genuine, but a chain is forked
//	not genuine            a line is altered, missing, added or out of place
//	unreadable             not a record of this format, or it could not be read
//
// Supplements after the end may be missing all the same. Clocks are never used for order:
// where the wall clock went backwards or moved otherwise than the monotonic clock within one
// boot, a note says so.
//
// # Attachments
//
// Names, dependants, photographs and other personal matter stand in attachments, which can be
// erased without breaking a chain. An attachment's id is "sha256:" and the SHA-256 in hex
// over the 25 bytes "meterwright/attachment/1" LF, 32 bytes of salt, and the content. A body
// refers to it by {"attachment": id, "bytes": length, "media": media type}. It is kept as a
// container: a header line in RFC 8785 form, LF, and the content. The header has the fields
// "bytes", "format" ("meterwright/attachment/1"), "media" and "salt" (64 lower-case
// hexadecimal digits). Erasing the container erases the salt, without which the id cannot be
// compared with content that somebody guesses. Media types are image/jpeg, image/png,
// text/plain (UTF-8) and application/json; pictures are cleaned of positions before they are
// hashed.
//
// # Example
//
// A fictional visit of four lines, complete. Its key is a test key.
//
//	{"body":{"job":"J-1","place":"4 Example Row, Anytown (fictional)"},"boot":"boot-1","format":"meterwright/record/1","key":"e0f2cfddd5f6e38338848258abe6055590446d7e75eff95f71c6bf50b0ed04f0","kind":"opened","mono":4000,"nature":"real","person":"person-7","prev":"0000000000000000000000000000000000000000000000000000000000000000","seq":0,"sig":"24894d0ef001ab78ebde082fead14e22c0009767e6d4bf04fe7ae0f048bd88e068e393a382cde41207e59cca0e78d54be24cf89aedc3aff704eae85a6374940d","visit":"019ab3f0-5c00-7a10-8b20-0123456789ab","wall":"2026-03-02T09:15:00.123+01:00"}
//	{"body":{"at":"meter.l-in","reading":{"unit":"V","value":"231.4"},"reference":"meter.n-in"},"boot":"boot-1","format":"meterwright/record/1","key":"e0f2cfddd5f6e38338848258abe6055590446d7e75eff95f71c6bf50b0ed04f0","kind":"observed","mono":5500,"nature":"real","person":"person-7","prev":"339b37983ac7ec3e31bc6165aa1d52bccc9986796b7cd1b04050e2982b411a22","seq":1,"sig":"665471bf62170b17523ff0b07f9db18536fd8de82019682c87c0a8702461e44c8e450019e0f9b77305862ceea081741b0b8f3d13d262a45f8340c6a2d7472c04","visit":"019ab3f0-5c00-7a10-8b20-0123456789ab","wall":"2026-03-02T09:15:01.623+01:00"}
//	{"body":{"note":{"attachment":"sha256:8f5963cc49916061c1a83df213e704d463864f755534013fab494e2f6032bd28","bytes":9,"media":"text/plain"}},"boot":"boot-1","format":"meterwright/record/1","key":"e0f2cfddd5f6e38338848258abe6055590446d7e75eff95f71c6bf50b0ed04f0","kind":"noted","mono":7000,"nature":"real","person":"person-7","prev":"2cf2c0a9178bff29f7e69f835de9cee55eb731e9ade77e15a91b2138d3c78d9f","seq":2,"sig":"61667d0cdbe33ead88e2d32a82e239c974f7ae4aeadcb4f42dc2530baea32da9ba602370fa9c727b93ca1309f8ad2a3f9f580aadb11c48a2a371aef03b0f970a","visit":"019ab3f0-5c00-7a10-8b20-0123456789ab","wall":"2026-03-02T09:15:03.123+01:00"}
//	{"body":{"outcome":"done"},"boot":"boot-1","format":"meterwright/record/1","key":"e0f2cfddd5f6e38338848258abe6055590446d7e75eff95f71c6bf50b0ed04f0","kind":"ended","mono":8500,"nature":"real","person":"person-7","prev":"80b0517fa292b165b805ee02ec3f2b3bacf8dea715c33a4c6780aaf0da217791","seq":3,"sig":"51070d2f10c5c4ec8e6ff15a5187472f527d5655b514ee6bec7be0d298c0b48287a2602ea47616d5adc5c7a96b21c10ca01f231180d879a44503bd3daca31307","visit":"019ab3f0-5c00-7a10-8b20-0123456789ab","wall":"2026-03-02T09:15:04.623+01:00"}
package record
