Published device models, by name
*# Every part has its source. Levels read from a model outside the range that its source measured are
*# extrapolations; "levels" on a real board is the judge.
*
*# Triode: plate current after N. Koren, "Improved vacuum tube models for SPICE", Glass Audio 8(5),
*# 1996: E1 = Vp/KP ln(1 + exp(KP (1/MU + Vg/sqrt(KVB + Vp^2)))), Ip = 2 E1^EX / KG1 for E1 > 0.
*# ln(1 + exp(x)) is written max(x,0) + ln(1 + exp(-|x|)), which cannot overflow.
*# vct: contact potential, volts at the grid; emission: 1 is a new tube. Grid current, which no
*# published set states: kgi (Vg + vgi)^1.5 from vgi below the cathode's potential on. It decides the
*# highs of followers fed through a plate resistor, and how far a grid driven from a divider clamps.
*# 0.8 mA/V^1.5 and 0.2 V fit independent trials of the +30 V / -9 V gates: follower highs within
*# 0.1 V, an inverter's levels within 0.35 V, the spread of both levels over tubes drawn from measured
*# specimens within 0.5 V.
.subckt triode p g k mu=20 ex=1.3 kg1=1000 kp=100 kvb=300 vct=0 emission=1 kgi=0.8m vgi=0.2 cgp=2p cgk=3p cpk=1p
Be1 x 0 V=max(v(p,k),0)/{kp}*(max({kp}*(1/{mu}+(v(g,k)+{vct})/sqrt({kvb}+v(p,k)*v(p,k))),0)+ln(1+exp(-abs({kp}*(1/{mu}+(v(g,k)+{vct})/sqrt({kvb}+v(p,k)*v(p,k)))))))
Bip p k I={emission}*2*pow(max(v(x),0),{ex})/{kg1}
Rx x 0 1meg
Rpk p k 1t
Bgk g k I={kgi}*pow(max(v(g,k)+{vgi},0),1.5)
Rgk g k 1t
Cgp g p {cgp}
Cgk g k {cgk}
Cpk p k {cpk}
.ends
*@ ecc82 triode 12AU7/ECC82; Koren 1996 set MU 21.5 EX 1.3 KG1 1180 KP 84 KVB 300; capacitances from memory
.subckt ecc82 p g k vct=0 emission=1
X1 p g k triode mu=21.5 ex=1.3 kg1=1180 kp=84 kvb=300 vct={vct} emission={emission} cgp=1.5p cgk=1.6p cpk=0.5p
.ends
*@ ecc83 triode 12AX7/ECC83; Koren 1996 set MU 100 EX 1.4 KG1 1060 KP 600 KVB 300; poor below 150 V
.subckt ecc83 p g k vct=0 emission=1
X1 p g k triode mu=100 ex=1.4 kg1=1060 kp=600 kvb=300 vct={vct} emission={emission} cgp=1.6p cgk=1.6p cpk=0.5p
.ends
*@ ecc81 triode 12AT7/ECC81; Koren 1996 set MU 60 EX 1.35 KG1 460 KP 300 KVB 300
.subckt ecc81 p g k vct=0 emission=1
X1 p g k triode mu=60 ex=1.35 kg1=460 kp=300 kvb=300 vct={vct} emission={emission} cgp=1.5p cgk=2.2p cpk=0.5p
.ends
*@ 6dj8 triode 6DJ8/ECC88; Koren 1996 set MU 28 EX 1.3 KG1 330 KP 320 KVB 300
.subckt 6dj8 p g k vct=0 emission=1
X1 p g k triode mu=28 ex=1.3 kg1=330 kp=320 kvb=300 vct={vct} emission={emission} cgp=1.4p cgk=3.3p cpk=1.8p
.ends
*@ ecc88 triode fit to measured ECC88 specimens at low plate voltage: MU 37.04 EX 1.204 KG1 179.6 KP 156 KVB 674.8, contact potential -0.123 V
.subckt ecc88 p g k vct=-0.123 emission=1
X1 p g k triode mu=37.04 ex=1.204 kg1=179.6 kp=156 kvb=674.8 vct={vct} emission={emission} cgp=1.4p cgk=3.3p cpk=1.8p
.ends
*@ 1n4148 diode silicon switching diode: Is 2.52n Rs 0.568 N 1.752 Cjo 4p M 0.4 tt 20n
.model 1n4148 D(Is=2.52n Rs=0.568 N=1.752 Cjo=4p M=0.4 tt=20n)
*@ 1n34a diode germanium point contact: Is 2e-7 N 1.3 Rs 7; published sets differ tenfold, trust it to 50 mV at best
.model 1n34a D(Is=2e-7 Rs=7 N=1.3 Cjo=0.5p)
.end
