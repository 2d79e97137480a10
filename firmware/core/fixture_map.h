// Where everything of the mega2560 fixture is wired: relay-chain bits, port pins, ADC channels.
//
// One source of truth for firmware (core, avr, native), the emulated fixture, and the test that
// holds fixture.yaml, the schematic's netlist and the wiring table against it.
// Freestanding C++14: compiled by avr-g++ 5.4 and by the host.
#pragma once

#include <stdint.h>

namespace tenterhook {
namespace map {

constexpr uint8_t kDrives = 16;   // drive.0..15: level relay, then connect relay
constexpr uint8_t kFasts = 2;     // fast.0 on OC1A, fast.1 on OC1C: transistor shifter, series reed
constexpr uint8_t kSenses = 32;   // sense.0..31
constexpr uint8_t kRails = 4;     // rail.0..3

// The relay chain: 128 bits shifted by SPI, bit 0 is the first output of the first stage.
// A set bit energises its coil. All coils off is the safe state.
constexpr uint8_t kChainBits = 128;
constexpr uint8_t kChainBytes = kChainBits / 8;
constexpr uint8_t kBitDriveHigh = 0;      // +i: changeover contact of drive i selects high (off: low)
constexpr uint8_t kBitDriveConnect = 16;  // +i: connects drive i to its lead (off: open)
constexpr uint8_t kBitRoute = 32;         // +i: reed from fast.1 to drive i's lead
constexpr uint8_t kBitTestBus = 48;       // +s: reed from sense s's lead to the test bus
constexpr uint8_t kBitFastConnect = 80;   // +f: series reed of fast f
constexpr uint8_t kBitBusLoad22k = 82;    // the test bus loaded by 22 kohm to ground
constexpr uint8_t kBitBusLoad220k = 83;   // by 220 kohm to ground
constexpr uint8_t kBitBusPull10k = 84;    // pulled by 10 kohm to +5 V
constexpr uint8_t kBitBusPull1M = 85;     // pulled by 1 Mohm to +24 V
constexpr uint8_t kBitRailSeries = 86;    // +r: series relay of rail r; moves without current
constexpr uint8_t kBitRailPreCharge = 90; // +r: pre-charge path round the solid-state switch
constexpr uint8_t kBitRailHold = 94;      // +r: energised opens the normally closed bleeder of rail r
constexpr uint8_t kBitMaster = 98;        // master contactor (coil and rail power), broken by stop and lid
constexpr uint8_t kBitTrigger = 99;       // trigger output for an oscilloscope
constexpr uint8_t kBitComparator = 100;   // +2 bits: sense mux whose selected line feeds the comparator
constexpr uint8_t kBitLast = 102;         // 102..127 are spare and stay 0

// ADC channels. AREF is 4.096 V.
constexpr uint8_t kAdcSense = 0;      // +m, m = 0..3: 16:1 multiplexer m; sense s is on s / 16, address s % 16
constexpr uint8_t kAdcDrive = 4;      // 16:1 multiplexer of the drive leads
constexpr uint8_t kAdcRailMux = 5;    // 16:1: address 0-3 rail r's first board-side sense wire, 4-7 its second,
                                      // 8-11 the supply side, 12 coil supply, 13 +5 V, 14-15 ground
constexpr uint8_t kAdcCurrent = 6;    // +r
constexpr uint8_t kAdcRail = 10;      // +r, r = 0..2; rail 3 is at kAdcRailMux address 3
constexpr uint8_t kAdcReference = 13; // second, independent reference, 2.048 V nominal
constexpr uint8_t kAdcGround = 14;    // board 0 V by its own wire, offset as a sense channel
constexpr uint8_t kAdcProbe = 15;     // the person's insulated 10 Mohm probe
constexpr uint8_t kAdcChannels = 16;

// Port pins, as port letter and bit. Outputs unless said otherwise.
struct Pin { char port; uint8_t bit; };
constexpr Pin kPinChainLatch{'B', 0};     // rising edge copies the shift registers to the outputs
constexpr Pin kPinChainClock{'B', 1};     // SCK
constexpr Pin kPinChainData{'B', 2};      // MOSI
constexpr Pin kPinChainBack{'B', 3};      // MISO, input: the last stage
constexpr Pin kPinFast0{'B', 5};          // OC1A
constexpr Pin kPinFast1{'B', 7};          // OC1C
constexpr Pin kPinRailSwitch{'A', 0};     // +r: high turns rail r's solid-state switch on
constexpr Pin kPinOutputEnable{'G', 0};   // high asks for the chain's outputs; gated by the monostable
constexpr Pin kPinTripReset{'G', 1};      // high pulse clears the over-current latches
constexpr Pin kPinDacSelect{'G', 2};      // comparator threshold DAC, SPI
constexpr Pin kPinAlive{'H', 5};          // each edge re-fires the 20 ms monostable
constexpr Pin kPinSenseMux{'C', 0};       // +0..3: address of the four sense multiplexers
constexpr Pin kPinAuxMux{'C', 4};         // +0..3: address of the drive and rail multiplexers
constexpr Pin kPinStop{'D', 0};           // input, low = stop pressed (INT0)
constexpr Pin kPinLid{'D', 1};            // input, low = lid open (INT1)
constexpr Pin kPinHoldToRun{'D', 2};      // input, low = held
constexpr Pin kPinCoilSupply{'D', 3};     // input, high = coil supply present behind stop and lid
constexpr Pin kPinOverCurrent{'D', 4};    // +r: input, high = comparator of rail r has latched
constexpr Pin kPinCapture{'L', 0};        // input, ICP4: comparator output
constexpr Pin kPinCount{'L', 2};          // input, T5: comparator output

constexpr uint32_t kCpuHz = 16000000UL;
constexpr uint8_t kTicksPerMicrosecond = 16;

}  // namespace map
}  // namespace tenterhook
