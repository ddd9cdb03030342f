package workflow

// Asks gives the findings that a Task of the kind may ask for, in the order in which they are
// charted; nil for one that asks for none. A check asks for what its protocol lists of them, a
// record of the volume for what was not told, any other Task for all.
func (c TaskCode) Asks() []FindingCode {
	switch c {
	case ArrivalCheck, SiteCheck, PostRemovalCheck, DischargeCheck:
		return []FindingCode{Bleeding, Haematoma, Hand, Pulse, Patency, AirVolume, Condition, Pain, Pressure}
	case RecordBandVolume:
		return []FindingCode{AirVolume, CompressionStart}
	case SettleVolume:
		return []FindingCode{AirVolume}
	case Titration:
		return []FindingCode{AirVolume, Bleeding}
	case PatencyCheck:
		return []FindingCode{Patency}
	case ReleaseStep, EaseCompression:
		return []FindingCode{AirRemoved, Bleeding}
	case RestoreCompression:
		return []FindingCode{AirAdded, Bleeding}
	case BandRemoval, ConfirmBandState:
		return []FindingCode{Band}
	case ControlBleeding:
		return []FindingCode{Bleeding}
	case Dressing, PatientTeaching, UlnarCompression, ClinicianReview:
	}
	return nil
}
