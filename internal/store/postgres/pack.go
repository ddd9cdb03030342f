package postgres

import (
	"bytes"
	_ "embed"
	"runtime"
	"sync"

	"github.com/klauspost/compress/zstd"

	"fhirsvc/internal/fhir/outcome"
)

// dictionary is what packed bodies are written against: resources, states and inputs of an
// invented episode, with ids blotted out. It never changes, or nothing that was stored could
// be read; a better one gets a number of its own beside it.
//
//go:embed dictionary/1.txt
var dictionary []byte

const dictionaryNumber = 1

// worth is the size from which a body is packed at all.
const worth = 128

// frame is how packed bytes begin (RFC 8878 section 3.1.1). What is stored as it is never
// begins so.
const frame = "\x28\xb5\x2f\xfd"

var packer = sync.OnceValue(func() *zstd.Encoder {
	e, err := zstd.NewWriter(nil, zstd.WithEncoderDictRaw(dictionaryNumber, dictionary), zstd.WithEncoderLevel(zstd.SpeedFastest),
		// What is not in the dictionary is written as it stands: to pack that, too, takes three
		// times the time and saves an eighth of the room.
		zstd.WithNoEntropyCompression(true),
		zstd.WithEncoderConcurrency(runtime.GOMAXPROCS(0)))
	if err != nil {
		panic(err) // of constants
	}
	return e
})

var unpacker = sync.OnceValue(func() *zstd.Decoder {
	const most = 64 << 20 // a body is bounded by what comes in, far below
	d, err := zstd.NewReader(nil, zstd.WithDecoderDictRaw(dictionaryNumber, dictionary), zstd.WithDecoderMaxMemory(most),
		zstd.WithDecoderConcurrency(runtime.GOMAXPROCS(0)))
	if err != nil {
		panic(err) // of constants
	}
	return d
})

func isFrame(b []byte) bool { return bytes.HasPrefix(b, []byte(frame)) }

// pack gives the bytes to store for a body: a zstd frame (RFC 8878) where that is shorter,
// else the body itself. nil stays nil.
func pack(body []byte) []byte {
	clear := !isFrame(body)
	if clear && len(body) < worth {
		return body
	}
	packed := packer().EncodeAll(body, make([]byte, 0, len(body)/4+64))
	if clear && len(packed) >= len(body) {
		return body
	}
	return packed
}

// Packed gives the bytes that are stored for a body, for a measurement that writes the same
// rows by itself.
func Packed(body []byte) []byte { return pack(body) }

// unpack gives the body of what is stored. It fails (exception) on bytes that pack did not
// write.
func unpack(stored []byte) ([]byte, error) {
	if !isFrame(stored) {
		return stored, nil
	}
	body, err := unpacker().DecodeAll(stored, nil)
	if err != nil {
		return nil, &outcome.Error{Kind: outcome.CodeException, Op: "unpack", Details: "what is stored can't be read", Err: err}
	}
	return body, nil
}

// unpackAll unpacks bodies in place.
func unpackAll(bodies ...*[]byte) error {
	for _, b := range bodies {
		var err error
		if *b, err = unpack(*b); err != nil {
			return err
		}
	}
	return nil
}
