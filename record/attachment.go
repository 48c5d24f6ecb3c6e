package record

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json/jsontext"
	"errors"
	"fmt"
	"io"
	"strconv"
	"unicode/utf8"
)

// attachmentFormat is the value of the field "format" in the header of a container.
const attachmentFormat = "meterwright/attachment/1"

// MaxAttachment is the greatest length of an attachment's content in bytes.
const MaxAttachment = 32 << 20

// saltLength is the length of a salt in bytes.
const saltLength = 32

// The media types that an attachment may have.
const (
	MediaJPEG = "image/jpeg"
	MediaPNG  = "image/png"
	MediaText = "text/plain" // UTF-8
	MediaJSON = "application/json"
)

// ErrAttachment is what every error about an attachment wraps.
var ErrAttachment = errors.New("attachment")

// An AttachmentID names an attachment: "sha256:" and 64 lower-case hexadecimal digits, the
// SHA-256 over "meterwright/attachment/1", LF, the 32 bytes of the salt, and the content.
type AttachmentID string

// A Reference is how the body of an event refers to an attachment.
type Reference struct {
	ID    AttachmentID // field "attachment"
	Media string       // field "media"
	Bytes int64        // field "bytes", the length of the content
}

// An Attachment is content that can be erased without breaking a chain. Without the salt,
// which goes with the content, the id tells nothing about content that could be guessed.
type Attachment struct {
	Media   string
	Salt    [saltLength]byte
	Content []byte
}

// NewAttachment takes 32 bytes of salt from random, which must be unpredictable, and copies
// the content. Out of a JPEG or PNG picture it takes all that does not say how the picture
// looks, such as position, time, names and small copies; the direction in which the camera was
// held goes too, so turn the picture upright before. Text must be UTF-8, and JSON one value.
// Any other media type is refused, because what it hides is not known.
func NewAttachment(media string, content []byte, random io.Reader) (Attachment, error) {
	clean, err := cleanContent(media, content)
	if err != nil {
		return Attachment{}, err
	}
	a := Attachment{Media: media, Content: clean}
	if _, err := io.ReadFull(random, a.Salt[:]); err != nil {
		return Attachment{}, fmt.Errorf("%w: read %d bytes of salt: %w", ErrAttachment, saltLength, err)
	}
	return a, nil
}

// ID returns the attachment's id.
func (a Attachment) ID() AttachmentID {
	h := sha256.New()
	h.Write([]byte(attachmentFormat + "\n"))
	h.Write(a.Salt[:])
	h.Write(a.Content)
	return AttachmentID("sha256:" + hex.EncodeToString(h.Sum(nil)))
}

// Reference returns what the body of an event says of the attachment.
func (a Attachment) Reference() Reference {
	return Reference{ID: a.ID(), Media: a.Media, Bytes: int64(len(a.Content))}
}

// JSON returns the reference as it stands in a body, in RFC 8785 form.
func (r Reference) JSON() jsontext.Value {
	id, _ := jsontext.AppendQuote(nil, string(r.ID))
	media, _ := jsontext.AppendQuote(nil, r.Media)
	return jsontext.Value(fmt.Sprintf(`{"attachment":%s,"bytes":%d,"media":%s}`, id, r.Bytes, media))
}

// ParseReference reads a reference from the body of an event. It takes exactly the three
// fields.
func ParseReference(value jsontext.Value) (Reference, error) {
	var r Reference
	seen := 0
	err := scan(value, func(name string, raw []byte) (err error) {
		seen++
		switch name {
		case "attachment":
			var id string
			if id, err = text(raw); err == nil {
				r.ID = AttachmentID(id)
				err = r.ID.check()
			}
		case "media":
			if r.Media, err = text(raw); err == nil {
				err = checkMedia(r.Media)
			}
		case "bytes":
			r.Bytes, err = contentLength(raw)
		default:
			err = fmt.Errorf("unknown field %q", name)
		}
		return err
	})
	if err == nil && seen != 3 {
		err = errors.New(`needs "attachment", "bytes" and "media"`)
	}
	if err != nil {
		return Reference{}, fmt.Errorf("%w: reference: %w", ErrAttachment, err)
	}
	return r, nil
}

func (id AttachmentID) check() error {
	const prefix = "sha256:"
	if len(id) < len(prefix) || id[:len(prefix)] != prefix {
		return fmt.Errorf("%.80q does not begin with %q", string(id), prefix)
	}
	_, err := ParseHash(string(id[len(prefix):]))
	return err
}

// Container returns the bytes in which an attachment is kept: a header in RFC 8785 form with
// the fields "bytes", "format", "media" and "salt" (64 lower-case hexadecimal digits), one
// LF, and the content. Erasing them erases the salt.
func (a Attachment) Container() []byte {
	media, _ := jsontext.AppendQuote(nil, a.Media)
	header := fmt.Sprintf(`{"bytes":%d,"format":"%s","media":%s,"salt":"%x"}`+"\n", len(a.Content), attachmentFormat, media, a.Salt)
	return append([]byte(header), a.Content...)
}

// Open reads a container and checks it against the reference that a record gives: id, media
// type and length. The content is part of container, not a copy.
func (r Reference) Open(container []byte) (Attachment, error) {
	a, err := ParseContainer(container)
	if err != nil {
		return Attachment{}, err
	}
	if got := a.Reference(); got != r {
		return Attachment{}, fmt.Errorf("%w: container holds %s, %s, %d bytes, but the record refers to %s, %s, %d bytes: it was altered or is another one",
			ErrAttachment, got.ID, got.Media, got.Bytes, r.ID, r.Media, r.Bytes)
	}
	return a, nil
}

// maxHeader bounds the header of a container.
const maxHeader = 512

// ParseContainer reads a container without knowing what refers to it. Only bytes that
// [Attachment.Container] would write again are accepted. The content is part of container,
// not a copy.
func ParseContainer(container []byte) (Attachment, error) {
	var a Attachment
	fail := func(err error) (Attachment, error) {
		return Attachment{}, fmt.Errorf("%w: container: %w", ErrAttachment, err)
	}
	end := bytes.IndexByte(container[:min(len(container), maxHeader)], '\n')
	if end < 0 {
		return fail(fmt.Errorf("no header line within %d bytes", maxHeader))
	}
	header := container[:end]
	length := int64(-1)
	err := scan(header, func(name string, raw []byte) (err error) {
		var s string
		switch name {
		case "bytes":
			length, err = contentLength(raw)
		case "format":
			if s, err = text(raw); err == nil && s != attachmentFormat {
				err = fmt.Errorf("%.80q is not %q", s, attachmentFormat)
			}
		case "media":
			if a.Media, err = text(raw); err == nil {
				err = checkMedia(a.Media)
			}
		case "salt":
			if s, err = text(raw); err == nil {
				err = parseHex(a.Salt[:], s)
			}
		default:
			err = errors.New("is unknown")
		}
		if err != nil {
			err = fmt.Errorf("field %q: %w", name, err)
		}
		return err
	})
	if err != nil {
		return fail(err)
	}
	a.Content = container[end+1:]
	if int64(len(a.Content)) != length {
		return fail(fmt.Errorf("%d bytes of content, but the header says %d", len(a.Content), length))
	}
	empty := Attachment{Media: a.Media, Salt: a.Salt}
	want := bytes.Replace(empty.Container(), []byte(`{"bytes":0,`), fmt.Appendf(nil, `{"bytes":%d,`, length), 1)
	if !bytes.Equal(want, container[:end+1]) {
		return fail(errors.New("the header is not in its one agreed form, or lacks a field"))
	}
	return a, nil
}

// text reads a JSON string.
func text(raw []byte) (string, error) {
	b, err := jsontext.AppendUnquote(nil, raw)
	return string(b), err
}

func contentLength(raw []byte) (int64, error) {
	n, err := strconv.ParseInt(string(raw), 10, 64)
	if err != nil || n < 0 || n > MaxAttachment {
		return 0, fmt.Errorf("%.40s is not a length from 0 to %d", raw, MaxAttachment)
	}
	return n, nil
}

func checkMedia(media string) error {
	switch media {
	case MediaJPEG, MediaPNG, MediaText, MediaJSON:
		return nil
	}
	return fmt.Errorf("media type %.80q is not one of %s, %s, %s and %s", media, MediaJPEG, MediaPNG, MediaText, MediaJSON)
}

// cleanContent returns the content without what it hides, as [NewAttachment] says, in new
// memory.
func cleanContent(media string, content []byte) ([]byte, error) {
	if len(content) > MaxAttachment {
		return nil, fmt.Errorf("%w: %d bytes are too many: at most %d", ErrAttachment, len(content), MaxAttachment)
	}
	switch media {
	case MediaJPEG:
		return cleanJPEG(content)
	case MediaPNG:
		return cleanPNG(content)
	case MediaText:
		if !utf8.Valid(content) {
			return nil, fmt.Errorf("%w: the text is not UTF-8", ErrAttachment)
		}
	case MediaJSON:
		if !jsontext.Value(content).IsValid() {
			return nil, fmt.Errorf("%w: the content is not one JSON value", ErrAttachment)
		}
	default:
		return nil, fmt.Errorf("%w: %w", ErrAttachment, checkMedia(media))
	}
	return bytes.Clone(content), nil
}
