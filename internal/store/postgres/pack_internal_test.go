package postgres

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"hash/crc32"
	"strings"
	"testing"

	"github.com/klauspost/compress/s2"
	"github.com/klauspost/compress/zstd"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fhirsvc/internal/fhir/outcome"
)

// What is stored can be read for ever only against the dictionary that it was written with.
func TestDictionaryNeverChanges(t *testing.T) {
	sum := sha256.Sum256(dictionary)
	require.Equal(t, "ee915e9021c02234ecfdfa14e2377a66aebbe43aa72df4d9075876527f28f04c", hex.EncodeToString(sum[:]),
		"add another dictionary with another number; never change this one")
}

// What is packed begins with a mark, and holds the checksum of the body by the check value of CRC-32C
// (RFC 3720 appendix B.4: 32 bytes of zeros give aa 36 91 8a) and a block that S2 reads with the dictionary.
func TestPackedBytes(t *testing.T) {
	zeros := make([]byte, 32)
	require.Equal(t, []byte{0xaa, 0x36, 0x91, 0x8a}, binary.LittleEndian.AppendUint32(nil, crc32.Checksum(zeros, checksum)))
	body := []byte(strings.Repeat(`{"resourceType":"Task","status":"ready"}`, 10))
	packed := Packed(body)
	require.Equal(t, "\x00s2\x01", string(packed[:4]))
	require.Equal(t, crc32.Checksum(body, checksum), binary.LittleEndian.Uint32(packed[4:8]))
	got, err := s2.MakeDict(dictionary, nil).Decode(nil, packed[8:])
	require.NoError(t, err)
	require.Equal(t, body, got)
}

// A frame that earlier builds wrote: RFC 8878 with the dictionary by its number, with and without
// entropy coding.
func TestFramesAreReadAsEver(t *testing.T) {
	body := []byte(strings.Repeat(`{"resourceType":"Task","status":"ready"}`, 10))
	e, err := zstd.NewWriter(nil, zstd.WithEncoderDictRaw(zstdDictionary, dictionary))
	require.NoError(t, err)
	for _, frame := range [][]byte{e.EncodeAll(body, nil), packing(packZstd).pack(body)} {
		var h zstd.Header
		require.NoError(t, h.Decode(frame))
		require.EqualValues(t, zstdDictionary, h.DictionaryID)
		got, err := unpack(frame)
		require.NoError(t, err)
		require.Equal(t, body, got)
	}
}

func TestPack(t *testing.T) {
	for name, p := range map[string]packing{"S2": packBlock, "zstd": packZstd} {
		require.Nil(t, p.pack(nil), name)
		require.Equal(t, []byte{}, p.pack([]byte{}), name)
		require.Equal(t, []byte("short"), p.pack([]byte("short")), "not worth it")
		rapid.Check(t, func(t *rapid.T) {
			body := rapid.SliceOfN(rapid.Byte(), 0, 2000).Draw(t, "body")
			if rapid.Bool().Draw(t, "looks packed") {
				body = append([]byte(rapid.SampledFrom([]string{packedMark, zstdMark}).Draw(t, "mark")), body...)
			}
			body = bytes.Repeat(body, rapid.IntRange(1, 3).Draw(t, "times"))
			got, err := unpack(p.pack(body))
			if err != nil || !bytes.Equal(got, body) {
				t.Fatalf("%v: %q became %q", err, body, got)
			}
		})
	}
}

// Each bit counts: none that is turned gives another body.
func TestTurnedBitsAreSeen(t *testing.T) {
	body := []byte(`{"resourceType":"Observation","status":"final","valueQuantity":{"value":13,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}`)
	packed := Packed(body)
	require.Less(t, len(packed), len(body))
	for i := len(packedMark) * 8; i < len(packed)*8; i++ {
		turned := bytes.Clone(packed)
		turned[i/8] ^= 1 << (i % 8)
		got, err := unpack(turned)
		require.True(t, err != nil || bytes.Equal(got, body), "bit %d gives %s", i, got)
	}
}

// Bytes that pack did not write are a fault of ours, never an empty resource.
func TestUnpackRefuses(t *testing.T) {
	whole := Packed([]byte(strings.Repeat(`{"resourceType":"Task"}`, 50)))
	other := bytes.Clone(whole)
	other[len(packedMark)] ^= 1
	for name, stored := range map[string][]byte{
		"cut":                whole[:len(whole)-3],
		"longer":             append(bytes.Clone(whole), 0),
		"mark alone":         []byte(packedMark),
		"no block":           []byte(packedMark + "\x00\x00\x00\x00"),
		"another checksum":   other,
		"a body too large":   append([]byte(packedMark+"\x00\x00\x00\x00"), 0xff, 0xff, 0xff, 0xff, 0x07),
		"frame alone":        []byte(zstdMark),
		"another dictionary": append([]byte(zstdMark), 0x21, 99, 5, 1, 0, 0),
	} {
		_, err := unpack(stored)
		require.Equal(t, outcome.CodeException, outcome.KindOf(err), name)
	}
}
