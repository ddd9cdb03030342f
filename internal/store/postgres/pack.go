package postgres

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/binary"
	"hash/crc32"
	"sync"

	"github.com/jackc/pgx/v5"
	"github.com/klauspost/compress/s2"

	"fhirsvc/internal/fhir/outcome"
)

// dictionary is what packed bodies are written against: resources, states and inputs of an
// invented episode, with ids blotted out. It never changes, or nothing that was stored could
// be read; a better one gets a number of its own beside it.
//
//go:embed dictionary/1.txt
var dictionary []byte

// worth is the size from which a body is packed at all.
const worth = 128

// packedMark is how packed bytes begin: a byte that begins no body, and the dictionary's number
// at the end. After it come the checksum of the body (CRC-32C, RFC 3720 section 12.1; four
// bytes, little endian) and the body as a block of S2.
const packedMark = "\x00s2\x01"

const packedHead = len(packedMark) + crc32.Size

// mostUnpacked bounds what is unpacked: a body is bounded by what comes in, far below.
const mostUnpacked = 64 << 20

var (
	packer   = sync.OnceValue(func() *s2.Dict { return s2.MakeDict(dictionary, nil) })
	checksum = crc32.MakeTable(crc32.Castagnoli)
)

// looksPacked reports whether stored bytes are read as packed, by this release or an earlier one.
func looksPacked(b []byte) bool { return begins(b, packedMark) || begins(b, zstdMark) }

func begins(b []byte, mark string) bool { return bytes.HasPrefix(b, []byte(mark)) }

// packing gives a body packed, appended to what it is given.
type packing func(to, body []byte) []byte

// packingOf tells how bodies are packed in a database (see migration 012).
func packingOf(ctx context.Context, q querier) (packing, error) {
	rows, err := q.Query(ctx, `SELECT count(*) > 0 FROM packing WHERE name = 's2'`)
	if err != nil {
		return nil, err
	}
	if blocks, err := pgx.CollectExactlyOneRow(rows, pgx.RowTo[bool]); err != nil || blocks {
		return packBlock, err
	}
	return packZstd, nil
}

// pack gives the bytes to store for a body: packed where that is shorter, else the body itself.
// nil stays nil.
func (p packing) pack(body []byte) []byte {
	clear := !looksPacked(body)
	if clear && len(body) < worth {
		return body
	}
	packed := p(make([]byte, 0, len(body)/4+64), body)
	if clear && len(packed) >= len(body) {
		return body
	}
	return packed
}

// rooms hold a block while it is made, for which S2 wants far more than the block takes.
var rooms = sync.Pool{New: func() any { return new([]byte) }}

func packBlock(to, body []byte) []byte {
	room := rooms.Get().(*[]byte)
	defer rooms.Put(room)
	if most := s2.MaxEncodedLen(len(body)); cap(*room) < most {
		*room = make([]byte, most)
	}
	to = binary.LittleEndian.AppendUint32(append(to, packedMark...), crc32.Checksum(body, checksum))
	return append(to, packer().Encode((*room)[:cap(*room)], body)...)
}

// Packed gives the bytes that are stored for a body in a database that began with this build,
// for a measurement that writes the same rows by itself.
func Packed(body []byte) []byte { return packing(packBlock).pack(body) }

// Unpacked gives the body of what is stored.
func Unpacked(stored []byte) ([]byte, error) { return unpack(stored) }

// unpack gives the body of what is stored. It fails (exception) on bytes that pack did not
// write.
func unpack(stored []byte) ([]byte, error) {
	if !looksPacked(stored) {
		return stored, nil
	}
	read := unpackBlock
	if begins(stored, zstdMark) {
		read = unpackZstd
	}
	body, err := read(stored)
	if err != nil {
		return nil, &outcome.Error{Kind: outcome.CodeException, Op: "unpack", Details: "what is stored can't be read", Err: err}
	}
	return body, nil
}

func unpackBlock(stored []byte) ([]byte, error) {
	if len(stored) < packedHead {
		return nil, s2.ErrCorrupt
	}
	block := stored[packedHead:]
	size, err := s2.DecodedLen(block)
	if err != nil {
		return nil, err
	}
	if size > mostUnpacked {
		return nil, s2.ErrTooLarge
	}
	body, err := packer().Decode(make([]byte, 0, size), block)
	if err == nil && binary.LittleEndian.Uint32(stored[len(packedMark):]) != crc32.Checksum(body, checksum) {
		err = s2.ErrCRC
	}
	return body, err
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
