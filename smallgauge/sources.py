"""The one list of published sources that docstrings, columns, gauges and reports cite by key.

Why this is long: it is one list; a source is looked up here and nowhere else.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A published text, and how much of it was seen when the value was taken."""

    title: str
    seen: str


SOURCES: dict[str, Source] = {
    "definition": Source(title="Definition within this project", seen="the docstring beside it"),
    "common practice": Source(title="common practice, no source", seen="not published"),
    "memory": Source(title="from memory, not checked", seen="not seen"),
    "derived": Source(title="derived here by arithmetic", seen="the equation beside it"),
}

# Sound: loudness and its meters.
SOURCES |= {
    "BS.1770": Source(
        title="ITU-R BS.1770-4/-5, algorithms to measure audio programme loudness and true-peak audio level",
        seen="not seen; filter numbers and gates from memory, held against an independent meter",
    ),
    "EBU R 128": Source(
        title="EBU R 128 v4 (2020), loudness normalisation: -23 LUFS, true peak at most -1 dBTP",
        seen="EBU page and second-hand",
    ),
    "EBU Tech 3285": Source(
        title="EBU Tech 3285 v2 (2011), Broadcast Wave Format; Tech 3306 for RF64",
        seen="field list second-hand; layout from memory, read back by independent programs",
    ),
    "EBU Tech 3341": Source(
        title="EBU Tech 3341 v4 (2023), loudness metering: table 1, expected readings of test signals",
        seen="as transcribed in public test suites",
    ),
    "EBU Tech 3342": Source(
        title="EBU Tech 3342, loudness range: expected readings of test signals",
        seen="as transcribed in public test suites",
    ),
}

# Film: dimensions, pitches, rates and sound on film. Keys are the standards' own numbers where there is one.
SOURCES |= {
    "BTA": Source(
        title=(
            "Encyclopedia article 'Bild-Ton-Abstand' (German Wikipedia), listing ISO 490, 1201, 2404, "
            "2939, 3027, 4243, 4244 as literature"
        ),
        seen="text",
    ),
    "COLL": Source(title="Dutch collectors' page on film formats", seen="text"),
    "DAMM2004": Source(
        title=(
            "H. M. Damm, Total anti-symmetrische Quasigruppen, dissertation, Philipps-Universität "
            "Marburg (2004)"
        ),
        seen="not seen; the table of order 10 is from memory and its claims are tested",
    ),
    "DARTMOUTH": Source(
        title="Dartmouth College Library preservation blog, Film Assessment part 2 (2012)",
        seen="text (prints '.08%', evidently 0.8 %)",
    ),
    "DEWIKI8": Source(
        title="German Wikipedia, '8-mm-Film' and an old version of 'Super 8 (Filmformat)'", seen="text"
    ),
    "DEWIKI95": Source(title="German Wikipedia, '9,5-mm-Film'", seen="text"),
    "ENC8": Source(
        title=(
            "Encyclopedia articles '8 mm film', 'Super 8 film', 'Standard 8 mm film', '9.5 mm film' "
            "(Wikipedia)"
        ),
        seen="text",
    ),
    "ENCFOOT": Source(title="Encyclopedia article 'Filmfuss' (German Wikipedia)", seen="text"),
    "ENCSTEP": Source(title="Encyclopedia article 'Filmschritt' (German Wikipedia)", seen="text"),
    "FIAFMAN": Source(
        title=(
            "FIAF Moving Image Cataloguing Manual, appendix D.16.1 to D.16.6 (terms as carried in the "
            "CC BY 4.0 ontology of the FIAF Cataloguing and Documentation Commission)"
        ),
        seen="term lists",
    ),
    "FSM": Source(
        title=(
            "Table of camera gate sizes 'as in the standard', after a film pocket book of 1955 with "
            "later additions (television museum page, German)"
        ),
        seen="table",
    ),
    "HYWIKI": Source(title="Armenian Wikipedia, '16 mm film'", seen="first lines: width 15.95 +-0.025"),
    "IP1958": Source(
        title="International Projectionist 33 no. 12, Dec 1958, Handling and projection of 16-mm sound film",
        seen="first page",
    ),
    "ISO26": Source(
        title="ISO 26:1993 Projector usage of 16 mm motion-picture films for direct front projection",
        seen="clauses 1 to 4, extract",
    ),
    "ISO359": Source(
        title="ISO 359:1983 Projectable image area on 16 mm motion-picture prints", seen="catalogue abstract"
    ),
    "ISO466": Source(
        title="ISO 466 and SMPTE 7, 16 mm, image produced by the camera aperture",
        seen="not seen; from memory",
    ),
    "ISOR27": Source(
        title="ISO/R 27:1956 Emulsion and sound record positions in camera, 16 mm sound film", seen="text"
    ),
    "ISOR29": Source(title="ISO/R 29:1956 Emulsion position in projector, 8 mm silent film", seen="text"),
    "JSMPE1933": Source(
        title="Journal SMPE vol. 21 (1933), 16-mm projection equipment, p. 457", seen="page, OCR"
    ),
    "KIEL": Source(
        title="Lexikon der Filmbegriffe, University of Kiel, '8mm-Formate' and '9,5mm-Film'", seen="text"
    ),
    "PH22.11": Source(
        title="American Standard PH22.11, 16 mm projection reels", seen="not seen; from memory"
    ),
    "POPULAR": Source(
        title="Popular pages on film formats, of no known origin", seen="text; not to be relied on"
    ),
    "RAMT": Source(title="rec.arts.movies.tech FAQ (1998), 16 mm and 8 mm sections", seen="text"),
    "S8WIKI": Source(title="Super 8 wiki, 'What is Super 8 film?' (quotes SMPTE 157 and 154)", seen="text"),
    "ST101": Source(
        title="SMPTE ST 101-2003 Motion-Picture Film (16-mm) - Perforated 2R-3000 - Magnetic striping",
        seen="table 1",
    ),
    "ST112": Source(
        title="SMPTE 112-1999 Motion-Picture Film (16-mm) - 100-mil magnetic audio record",
        seen="number and title only, cited inside ST 233-2003",
    ),
    "ST149": Source(
        title="SMPTE ST 149-2004 Motion-Picture Film (8-mm Type S) - Perforated 1R (approved 2004-11-08)",
        seen="table 1 in a public text extract of the standard",
    ),
    "ST153": Source(
        title="SMPTE ST 153-2001 8-mm Type S - 16-mm film perforated Type S (1-4) - Printed areas",
        seen="scope and notes only",
    ),
    "ST161": Source(
        title="SMPTE 161-1998 Motion-Picture Film (8-mm Type S) - Magnetic striping",
        seen="number and title only, cited inside SMPTE 163-1998",
    ),
    "ST164": Source(
        title="SMPTE ST 164-2002 Motion-Picture Film (8-mm Type S) - Magnetic audio record",
        seen=(
            "abstract only (0.027 in stripe; picture-audio displacement specified, value not in the abstract)"
        ),
    ),
    "ST181": Source(
        title="SMPTE 181-2001 8-mm Type S - 16-mm film perforated Type S (1-3) - Printed areas",
        seen="scope and notes only",
    ),
    "ST200M": Source(
        title="SMPTE ST 200M-2003 8-mm Type S - Model 1 sound camera cartridge - camera run length",
        seen="clauses 1 and 2.1",
    ),
    "ST201": Source(title="SMPTE 201M, 16 mm type W, camera aperture image", seen="not seen; from memory"),
    "ST239": Source(
        title="SMPTE ST 239-2004 Motion-Picture Film (16-mm) - Perforated 8-mm Type R, 2R",
        seen="scope only (pitches are in the scope)",
    ),
    "ST35x16": Source(
        title="SMPTE standard for 35-mm film with 16-mm type perforations (number not read)",
        seen="scope: pitches 7.605 and 7.620 mm",
    ),
    "ST41": Source(
        title="SMPTE 41-1999 Motion-Picture Film (16-mm) - Prints - Photographic audio records",
        seen=(
            "clauses 1 to 4 in a text extract (number inferred from its scope; table not seen); number "
            "and title cited inside ST 233-2003"
        ),
    ),
    "VCBOOK": Source(title="A Practical Guide to Video and Audio Compression, film chapter", seen="text"),
    "STREEL": Source(
        title="SMPTE standard for 8-mm Type S projection reels, 100 to 312 mm diameter (number not read)",
        seen="scope (capacities up to 360 m, 1200 ft)",
    ),
    "WHEELER": Source(title="L. J. Wheeler, Principles of Cinematography, p. 286", seen="page, OCR"),
    "Z22.17": Source(
        title="American Standard Z22.17, 8 mm, cutting and perforating", seen="not seen; from memory"
    ),
    "Z22.19": Source(
        title="American Standard Z22.19, 8 mm, camera aperture and image", seen="not seen; from memory"
    ),
    "Z22.5": Source(
        title=(
            "American Standard Z22.5-1947, 16-mm silent film cutting and perforating, reproduced in "
            "'16-mm Sound Motion Pictures' (1949), p. 106"
        ),
        seen="table, OCR",
    ),
}

# Per-frame measures of the picture: exposure, focus, scenes, gate, line-up.
SOURCES |= {
    "median error": Source(
        title="Standard error of the median of n normal values, sqrt(pi/2) sigma / sqrt(n); textbook",
        seen="derived; checked by simulation in the tests",
    ),
    "stills sharpness": Source(
        title="Gradient energy after a Gaussian of 1.2 px over squared brightness, less a noise floor",
        seen="own definition, tested on drawn pictures; Tenengrad family, common practice",
    ),
    "erf edge": Source(
        title="Error function as the profile of a blurred edge; edge layout after ISO 12233:2014",
        seen="derived; ISO 12233 second-hand",
    ),
    "esfr": Source(
        title="ISO 12233:2014, Photography: Electronic still picture imaging: Resolution and spatial frequency responses: "
        "e-SFR, with the derivative's response sin(x)/x, x = 2 pi f/4, for the difference [-1/2 0 1/2]",
        seen="second-hand; checked on edges of known response in tests/picture/test_edge_response.py",
    ),
    "SROD": Source(
        title="P. M. B. van Roosmalen, Restoration of archived film and video, thesis, TU Delft 1999: rank-order differences",
        seen="definition second-hand; measured here on drawn dirt in the tests and in benchmarks/dirt.py",
    ),
    "grain by differences": Source(
        title="Half the variance of the difference of two frames, in the places with the least detail; places of least "
        "low-frequency energy after M. Colom, A. Buades, J.-M. Morel, Nonparametric noise estimation method, JOSA A 31(4), 2014",
        seen="second-hand; measured here on drawn grain of known curve in the tests",
    ),
    "less grain": Source(
        title="Mean of motion-compensated frames where they agree; refused where what is taken is like the picture's edges",
        seen="own; measured here in the tests and in benchmarks/grain.py",
    ),
    "a contrario lines": Source(
        title="A. Newson, A. Almansa, Y. Gousseau, P. Perez: line scratches of film, grouped a contrario and told from the "
        "scene's movement",
        seen="abstract; measured here on drawn scratches in the tests and in benchmarks/scratches.py",
    ),
    "own measure of hairs": Source(
        title="own measure: a thread that is joined to the picture's side, stays while the scene moves or changes, and goes "
        "with the film or with the capture",
        seen="measured here on drawn hairs in the tests and in benchmarks/hairs.py",
    ),
    "Kokaram repair": Source(
        title="A. C. Kokaram et al., Interpolation of missing data in image sequences, IEEE TIP 4(11), 1509 (1995)",
        seen="first page",
    ),
    "DIS flow": Source(
        title="T. Kroeger et al., Fast optical flow using dense inverse search, ECCV 2016",
        seen="not seen; used as implemented in OpenCV",
    ),
    "EDTF": Source(
        title="Extended Date/Time Format (EDTF) Specification, Library of Congress, 4 February 2019 (levels 1 and 2: "
        "ISO 8601-2:2019), https://www.loc.gov/standards/datetime/",
        seen="text in part; examples from memory, not checked",
    ),
    "EXIF": Source(
        title="CIPA DC-008 (Exif), tags of the primary image; an unknown date or hour is filled with blanks",
        seen="from memory of standard, not seen; read back by other programs in the tests",
    ),
    "XMP": Source(
        title="ISO 16684-1 (XMP), namespaces dc and xmp; part 3, embedding in JPEG and TIFF",
        seen="from memory of standard, not seen; read back by other programs in the tests",
    ),
    "IPTC Photo Metadata": Source(
        title="IPTC Photo Metadata Standard and IIM 4.2: Title, Headline, Description, Description Writer, Job Id, Source, "
        "Date Created, Digital Source Type",
        seen="names second-hand (the photoshop namespace's own page, a field map); read back by other programs in the tests",
    ),
    "robust burst merge": Source(
        title="S. W. Hasinoff et al., Burst photography for high dynamic range and low-light imaging on mobile cameras, ACM TOG "
        "35(6), 2016: frames merged by how well they agree",
        seen="from memory, not checked; measured here in the tests and in benchmarks/stills.py",
    ),
    "DCT denoising": Source(
        title="G. Yu and G. Sapiro, DCT image denoising: a simple and effective image denoising algorithm, IPOL 1, 2011; a second "
        "pass weighed by the first is the empirical Wiener filter; textbook",
        seen="from memory, not checked; measured here in the tests and in benchmarks/stills.py",
    ),
    "scene change": Source(
        title="Residual after motion and exposure over its running median, fixed threshold 3; own definition",
        seen="own definition, measured on drawn sequences in the tests and in benchmarks/scenes.py",
    ),
    "flicker": Source(
        title="Change of log exposure between motion-compensated frames as surface of second degree and contrast; own definition",
        seen="own definition, measured on drawn sequences in the tests and in benchmarks/flicker.py",
    ),
}

# Code values, resampling and display encoding.
SOURCES |= {
    "BT.709": Source(
        title="Recommendation ITU-R BT.709-6, item 1.2: opto-electronic transfer, undone",
        seen="not seen; numbers from memory, checked in the tests against a colour library's published value",
    ),
    "BT.1886": Source(
        title="Recommendation ITU-R BT.1886, annex 1: display transfer, exponent 2.4, black level 0",
        seen="not seen; exponent second-hand from an encyclopaedic page",
    ),
    "Catmull and Smith 1980": Source(
        title="E. Catmull, A. R. Smith, 3-D transformations of images in scanline order, SIGGRAPH 1980",
        seen="not seen; from memory, the two passes derived here",
    ),
    "Farrow 1988": Source(
        title="C. W. Farrow, A continuously variable digital delay element, IEEE ISCAS 1988",
        seen="not seen; from memory, the coefficients designed here",
    ),
    "IEC 61966-2-1": Source(
        title="IEC 61966-2-1:1999 Default RGB colour space - sRGB",
        seen="not seen; formula second-hand from an encyclopaedic page",
    ),
    "Kuglin and Hines 1975": Source(
        title="C. D. Kuglin, D. C. Hines, The phase correlation image alignment method, IEEE 1975",
        seen="not seen; from memory, derived here",
    ),
    "RP105": Source(
        title="SMPTE RP 105-2003, jump and weave: unsteadiness along and across the film, as a share of the picture",
        seen="first page, second-hand, in the project's picture notes; its grades not seen and not used",
    ),
    "Lucas and Kanade 1981": Source(
        title="B. D. Lucas, T. Kanade, An iterative image registration technique, IJCAI 1981",
        seen="not seen; from memory, derived here",
    ),
    "Wellons 2018": Source(
        title="C. Wellons, Prospecting for hash functions (lowbias32), 2018, public domain",
        seen="constants and inverse in a public-domain copy; its evenness checked in the tests",
    ),
}

# Files: pictures, video, sound, checksums.
SOURCES |= {
    "BT.601": Source(
        title="Recommendation ITU-R BT.601-7, item 2.5: luma and colour difference",
        seen="not seen; weights from memory, checked in the tests against FFmpeg's own conversion",
    ),
    "BT.2020": Source(
        title="Recommendation ITU-R BT.2020-2, table 4: luma and colour difference",
        seen="not seen; weights from memory",
    ),
    "FFmpeg framemd5": Source(
        title="FFmpeg formats documentation, muxers framehash and framemd5, version 2",
        seen="the text that two versions of FFmpeg print, compared in the tests",
    ),
    "FIPS 180-4": Source(
        title="NIST FIPS 180-4, Secure Hash Standard (SHA-256)",
        seen="not seen; its example 'abc' is checked in the tests",
    ),
    "ITU-T H.264": Source(
        title="Recommendation ITU-T H.264: 6.2 sampling of colour in frames and fields, annex E",
        seen="not seen; from memory",
    ),
    "ITU-T H.273": Source(
        title="Recommendation ITU-T H.273: numbers of colour primaries, transfers and matrices",
        seen="not seen; from memory, the numbers compared with MediaInfo's words in the tests",
    ),
    "ITU-T T.81": Source(
        title="Recommendation ITU-T T.81 (JPEG), annex B: markers and segments",
        seen="not seen; from memory",
    ),
    "RFC 8794": Source(
        title="RFC 8794, Extensible Binary Meta Language: 4 variable-size integers, 11.3.1 CRC-32",
        seen="not seen; from memory, checked on files of FFmpeg's writer",
    ),
    "RFC 9043": Source(
        title="RFC 9043, FFV1 video coding format, versions 0, 1 and 3",
        seen="not seen; settings measured, version and slices read back by MediaInfo in the tests",
    ),
    "RFC 9559": Source(title="RFC 9559, Matroska media container format", seen="head seen"),
    "RFC 9639": Source(
        title="RFC 9639, Free Lossless Audio Codec (FLAC)",
        seen="not seen; files read back by libsndfile in the tests",
    ),
    "ST 268": Source(
        title="SMPTE ST 268-1:2014, File format for digital moving-picture exchange (DPX) 2.0",
        seen="not seen; header offsets and packings from memory, checked on files of two other writers",
    ),
}

# Sound: time maps, resampling.
SOURCES |= {
    "CravenWahba1979": Source(
        title=(
            "P. Craven, G. Wahba, Smoothing noisy data with spline functions, Numerische Mathematik 31 "
            "(1979): generalised cross-validation"
        ),
        seen="not seen; from memory, and tested on drawn time stamps",
    ),
    "FritschCarlson1980": Source(
        title="F. N. Fritsch, R. E. Carlson, Monotone piecewise cubic interpolation, SIAM JNA 17 (1980)",
        seen="not seen; from memory: end slopes within 3 times the secant keep a cubic monotone",
    ),
    "BT1359": Source(
        title=(
            "ITU-R BT.1359-1 (1998), Relative timing of sound and vision for broadcasting: sound is noticed from about 45 ms "
            "early or 125 ms late, accepted to about 90 ms early or 185 ms late"
        ),
        seen="text excerpt; made with tube displays at 24 and 25 frames a second",
    ),
    "RasmussenWilliams2006": Source(
        title=(
            "C. E. Rasmussen, C. K. I. Williams, Gaussian Processes for Machine Learning, MIT Press (2006): mean and "
            "variance of a prediction, and of what is left out"
        ),
        seen="not seen; from memory, and tested against left-out solutions",
    ),
    "HutchinsonDeHoog1985": Source(
        title=(
            "M. F. Hutchinson, F. R. de Hoog, Smoothing noisy data with spline functions, Numerische "
            "Mathematik 47 (1985): the trace from the band of the inverse"
        ),
        seen="not seen; from memory, and tested against a dense inverse",
    ),
    "KaiserWindow": Source(
        title="J. F. Kaiser, Nonrecursive digital filter design using the I0-sinh window function (1974)",
        seen="not seen; from memory, its effect measured in benchmarks/sound.py",
    ),
    "KimGu2004": Source(
        title=(
            "Y.-J. Kim, C. Gu, Smoothing spline Gaussian regression, J. R. Statist. Soc. B 66 (2004): factor "
            "1.4 in cross-validation"
        ),
        seen="not seen; from memory",
    ),
    "Reinsch1967": Source(
        title="C. H. Reinsch, Smoothing by spline functions, Numerische Mathematik 10 (1967)",
        seen="not seen; from memory, and tested against a dense solution",
    ),
    "SmithResampling": Source(
        title="J. O. Smith, Digital audio resampling: bandlimited interpolation",
        seen="not seen; from memory, its effect measured in benchmarks/sound.py",
    ),
}

# Perforations: finding and measuring them.
SOURCES |= {
    "hough": Source(
        title="R. O. Duda, P. E. Hart, Use of the Hough transformation to detect lines and curves in pictures, "
        "Commun. ACM 15 (1972); here for a rectangle of known size",
        seen="not seen; the method from memory, tested on drawn perforations",
    ),
    "tukey biweight": Source(
        title="A. E. Beaton, J. W. Tukey, The fitting of power series, Technometrics 16 (1974): biweight, "
        "c = 4.685 for 95 % efficiency on normal errors",
        seen="not seen; from memory, the efficiency checked by simulation in the tests",
    ),
    "cramer-rao edge": Source(
        title="Bound for the place of a sampled blurred step: variance at least noise^2 over the sum of squared "
        "slopes, so sigma = (noise / contrast) sqrt(2 blur sqrt(pi)) a row; cf. Gatherer, CSL-TR-93-560 (1993)",
        seen="derived; abstract of the report seen second-hand",
    ),
    "gauge by likelihood": Source(
        title="Normal likelihood of the logarithms of ratios, tolerance plus 1.5 %, not sure within a ratio of 20",
        seen="own choice, tested on drawn captures of all gauges",
    ),
}

# What a family is told about keeping film and files, and the forms of what is handed out.
SOURCES |= {
    "AVPRES": Source(
        title="avpres.net, page on small-gauge film: two copies at least, better three, apart",
        seen="page",
    ),
    "FIAF2022": Source(
        title="FIAF Digital Statement part II (May 2022): keep the film, a scan does not replace it",
        seen="text",
    ),
    "RFC 8493": Source(
        title="RFC 8493, The BagIt File Packaging Format, version 1.0 (2018)",
        seen="head seen; layout held against an independent validator",
    ),
    "PBCore 2.1": Source(
        title="PBCore 2.1 XML schema (public domain, CC0 1.0)",
        seen="text of the schema",
    ),
    "film condition 2.0": Source(
        title="Film Conservation Metadata 2.0, XML schema of a national library of science (public domain, CC0 1.0)",
        seen="text of the schema",
    ),
    "PREMIS 3.0": Source(
        title="PREMIS Data Dictionary for Preservation Metadata, version 3.0 (2015)",
        seen="not seen; names of its units from memory",
    ),
    "NARA names": Source(
        title="US National Archives, Sustaining Moving Image Files: names under 25 characters, unique, no spaces or signs",
        seen="second-hand",
    ),
    "RFC 4180": Source(
        title="RFC 4180 Common Format and MIME Type for Comma-Separated Values (2005)",
        seen="not seen now; from memory",
    ),
}

# The frame's path: camera gate, robust path, steadiness.
SOURCES |= {
    "robust path": Source(
        title="Banded least squares with Tukey's biweight, its scale shrinking (graduated non-convexity); derived here, "
        "equivalent to a robust smoother of Rauch, Tung and Striebel 1965",
        seen="own experiment in picture science, section a; drawn series in the tests",
    ),
    "three-cornered hat": Source(
        title="J. E. Gray, D. W. Allan, A method for estimating the frequency stability of an individual oscillator, "
        "1974: variances of single sources from those of their pairs",
        seen="not seen; from memory, the equations derived here",
    ),
    "camera gate": Source(
        title="The camera gate's sides, row by row, half light brought to half exposure by a logistic film curve; derived here",
        seen="the docstring of picture.gate.find_gate_sides",
    ),
}

# Completeness of a capture.
SOURCES |= {
    "grain correlation": Source(
        title="Grain does not repeat: correlation S / (S + N) for the same film, nearly 0 for any other (S power of "
        "the grain, N of the capture's noise); own proposal, derived from the definition of correlation",
        seen="the docstrings of picture.repetition and picture.completeness; measured on drawn reels",
    ),
}

# Condition of the film: damaged perforations and splices.
SOURCES |= {
    "top hat": Source(
        title="J. Serra, Image Analysis and Mathematical Morphology (1982): what an opening takes away, here "
        "threads of light narrower than the opening's disc",
        seen="not seen; the method from memory, tested on drawn cracks",
    ),
    "SPLICE1949": Source(
        title="Draft American standard for 16 mm splices (1949): perforations of the two films at most 0.002 inch "
        "(0.05 mm) apart sideways",
        seen="second-hand, in the project's picture notes",
    ),
    "PH22.5a": Source(
        title="Proposed American Standard PH22.5 and PH22.93, appendices, J. SMPTE 59 (1952): pitch changes only "
        "slowly along a roll",
        seen="second-hand, in the project's film notes",
    ),
}

# Wow and flutter.
SOURCES |= {
    "AES6": Source(
        title="AES6-2008 (s2013), Method for measurement of weighted peak flutter; the same as IEC 60386:1972 with A1",
        seen="pages about it; the definition of the two-sigma reading and the tolerances were not seen",
    ),
    "AES6 weighting": Source(
        title="Weighting curve of AES6-2008, 17 values; poles and zeros fitted to it here",
        seen="the table as quoted in public source code that names AES6-2008",
    ),
}

# Faults of recorded sound and what is done about them.
SOURCES |= {
    "AR clicks": Source(
        title="S. J. Godsill, P. J. W. Rayner, Digital Audio Restoration (1998): clicks by the error of linear prediction",
        seen="from memory, not checked; measured in tests/sound/test_clicks.py",
    ),
    "AR interpolation": Source(
        title="A. J. E. M. Janssen, R. N. J. Veldhuis, L. B. Vries, Adaptive interpolation of discrete-time signals (1986)",
        seen="from memory, not checked; measured in tests/sound/test_clicks.py",
    ),
    "spacing loss": Source(
        title="R. L. Wallace, The reproduction of magnetically recorded signals (1951): 54.6 dB a wavelength of spacing",
        seen="from memory, not checked",
    ),
    "Wiener hiss": Source(
        title="Spectral subtraction by Wiener's rule, power smoothed, after S. F. Boll (1979)",
        seen="from memory, not checked; measured in tests/sound/test_hiss.py",
    ),
    "IEC 60094-1 curve": Source(
        title="IEC 60094-1, clause 15: recorded characteristic by two time constants",
        seen="as cited by a maker of reference tapes; it gives twenty published differences within 0.01 dB",
    ),
}

# Mains hum and the speed that it tells.
SOURCES |= {
    "EN 50160": Source(
        title="EN 50160, voltage characteristics: frequency within 1 % for 99.5 % of a year",
        seen="not seen; as quoted in the manuals of two power meters",
    ),
    "grid frequency": Source(
        title="A long series of readings of a 50 Hz grid, nearly all between 49.9 and 50.1 Hz",
        seen="a hobby measurement, weak; older grids wandered more (from memory)",
    ),
    "hum comb": Source(
        title=(
            "Sum over harmonics of the log spectrum above its local mean, refined by lag-1 phase; power-line hum as a "
            "clock of a recording after Czyzewski et al., DSP Techniques for Determining Wow Distortion, J. Audio Eng. Soc."
        ),
        seen="abstract of the paper; the estimator is measured in tests/sound/test_hum.py",
    ),
}

# Faded dyes.
SOURCES |= {
    "Gschwind and Frey 1994": Source(
        title="R. Gschwind and F. Frey, electronic imaging, a tool for the reconstruction of faded colour photographs, "
        "J. Imaging Science and Technology 38, 520 (1994); the linear density model of fading",
        seen="not seen; the model as quoted by later papers",
    ),
    "Wyman, Sloan and Shirley 2013": Source(
        title="C. Wyman, P.-P. Sloan and P. Shirley, simple analytic approximations to the CIE XYZ color matching functions, "
        "J. Computer Graphics Techniques 2(2) (2013): a fit of several lobes",
        seen="numbers from memory, held against the tabled observer in tests",
    ),
}

# Negatives.
SOURCES |= {
    "ST 2065-3": Source(
        title="SMPTE ST 2065-3, academy density exchange encoding (ADX)",
        seen="not seen; numbers read out of OpenColorIO's built-in ADX10 and ADX16 transforms",
    ),
    "one-factor model": Source(
        title="Factor analysis with one common factor, after C. Spearman (1904): what three channels share, and each one's own",
        seen="from memory, not checked; measured in tests/picture/test_mono.py",
    ),
    "Fritsch and Carlson 1980": Source(
        title="F. N. Fritsch and R. E. Carlson, Monotone piecewise cubic interpolation, SIAM J. Numerical Analysis 17, 238",
        seen="not seen; as SciPy has it",
    ),
}

# Colour: the operator's own correction and the file that holds it.
SOURCES |= {
    "ASC CDL": Source(
        title="ASC Color Decision List v1.2: slope, offset, power and saturation",
        seen="several implementers' pages; held against another program's own processor in tests/picture/test_primary.py",
    ),
    "printer points": Source(
        title="Encyclopedia article on colour timing: a printer-light point is 0.025 of log exposure (citing Case 2001)",
        seen="text; older laboratories' points differ, so the unit is always shown",
    ),
    "Oklab": Source(
        title="B. Ottosson, A perceptual color space for image processing (2020)",
        seen="numbers from memory, held against a public colour library in tests/picture/test_selective.py",
    ),
}

# What a delivered film is looked at for.
SOURCES |= {
    "BT.1702": Source(
        title="Recommendation ITU-R BT.1702-3 (2023), guidance for the reduction of photosensitive epileptic seizures "
        "caused by television",
        seen="not seen; limits as implementers quote them, held against a drawn set on their borders",
    ),
    "WCAG 2.3.1": Source(
        title="W3C, Web Content Accessibility Guidelines 2.2, success criterion 2.3.1: three flashes or below threshold",
        seen="text",
    ),
    "BKSTS B": Source(
        title=(
            "BKSTS Illustrated Dictionary of Moving Image Technology, 4th edition, appendix B, image areas used in television"
        ),
        seen="text of the appendix on the publisher's page",
    ),
    "EBU R 103": Source(
        title="EBU R 103 v3.0 (2020), video signal tolerance in digital television systems",
        seen="head of the text, and EBU QC item 0051B",
    ),
}

# Safety at the bench.
SOURCES |= {
    "IPI2001": Source(
        title="Image Permanence Institute, User's guide for acid-detection strips (2001)",
        seen="basic instructions and level table; the words of level 3 beyond the first are from memory",
    ),
    "FAOLCLEAN": Source(
        title="Film Archives On Line training text, Solvent cleaners - hand cleaning", seen="text"
    ),
    "H182": Source(
        title="H-182 (2003), Safe Handling, Storage and Destruction of Nitrate-Based Motion Picture Films",
        seen="first page",
    ),
    "INDG469": Source(
        title="UK Health and Safety Executive, The dangers of cellulose nitrate film, INDG469",
        seen="first page",
    ),
    "NFSACLEAN": Source(
        title="National Film and Sound Archive of Australia, preservation glossary, Cleaning film",
        seen="text",
    ),
    "NFSAHAZ": Source(
        title="National Film and Sound Archive of Australia, Film Preservation Handbook, Film conservation hazards",
        seen="part",
    ),
    "NIOSH": Source(title="NIOSH, IDLH documentation, acetic acid (64-19-7), May 1994", seen="text"),
}
