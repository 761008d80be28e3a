// The pixel program on an NVIDIA card: the arithmetic of kernels.py and kernels_colour.py, in the same order and precision,
// compiled without contraction, so that a card gives the bytes that a processor gives. Two ways: a displaced frame in one kernel, by
// tiles in shared memory; a turned or scaled one in two, with the first pass kept in single precision.
//
// Given by whoever compiles: SAMPLE (unsigned char, unsigned short, float), CHANNELS (1 or 3), LOOKED_UP, EVEN, COLOURED (0 or 1).

#define TAPS 12
#define REACH 5
#define PHASES 4096
#define TILE_X 32
#define TILE_Y 32
#define ROWS_OF_THREADS 8
#define RUN (TILE_Y / ROWS_OF_THREADS)
#define WIDE (TILE_X + TAPS - 1)
#define HIGH (TILE_Y + TAPS - 1)

typedef unsigned int u32;
typedef unsigned long long u64;

struct Shape {
  int captured_width, captured_height, width, height;
};

struct Straight {
  int mirrored_x, mirrored_y, offset_x, offset_y, first_x, stop_x, first_y, stop_y;
  float weights_x[TAPS], weights_y[TAPS];
};

struct Turned {
  double slope, per_row, offset, down_x, down_y, down_0, a, b, c, d, e, f;
  int mirrored, low, high, captured_width, captured_height;
};

struct Colour {
  const long long *steps;
  const double *numbers, *curves, *windows;
  int knots, window_count;
};

struct Dither {
  float peak;
  u32 frame;
};

// --- light of a captured sample

__device__ float light_of(const SAMPLE *samples, const float *table, int last, const float *gain, const float *offset, long place) {
#if LOOKED_UP
  int code = samples[place];
  float light = table[code < last ? code : last];
#else
  float light = samples[place];
#endif
#if EVEN
  light = light * gain[place] + offset[place];
#endif
  return light;
}

// --- display encoding and dither, as display.py

__device__ u32 mix(u32 number) {
  u32 h = number ^ (number >> 16);
  h *= 0x7FEB352Du;
  h ^= h >> 15;
  h *= 0x846CA68Bu;
  return h ^ (h >> 16);
}

__device__ u32 hash_of(u32 frame, int x, int y) {
  u32 frame_seed = mix(frame + 1u);
  u32 row_seed = mix(frame_seed + (u32)y * GOLDEN);
  return mix(row_seed + (u32)x);
}

__device__ float encode(float light, float peak) {
  float bounded = light > LEAST_LIGHT ? light : LEAST_LIGHT;
  bounded = bounded < 1.0f ? bounded : 1.0f;
  int bits = __float_as_int(bounded);
  int power = (bits - 0x3F3504F3) >> 23;
  float mantissa = __int_as_float(bits - (power << 23));
  float t = (mantissa - 1.0f) / (mantissa + 1.0f);
  float t2 = t * t;
  float logarithm = t * (F_L0 + t2 * (F_L1 + t2 * (F_L2 + t2 * (F_L3 + t2 * F_L4)))) + (float)power;
  float scaled = logarithm * INVERSE_EXPONENT;
  float whole = floorf(scaled + 0.5f);
  float x = scaled - whole;
  float two = F_E0 + x * (F_E1 + x * (F_E2 + x * (F_E3 + x * (F_E4 + x * (F_E5 + x * F_E6)))));
  return two * __int_as_float(((int)whole + 127) << 23) * peak;
}

__device__ void store(const float *light, u32 hash, float peak, unsigned short *out) {
#pragma unroll
  for (int channel = 0; channel < 3; channel += 1) {
    int own = CHANNELS == 3 ? channel : 0;
    float step = (float)((hash >> (1 + 8 * own)) & 127u);
    float value = encode(light[own], peak) + (step * (1.0f / 128) + (1.0f / 256));
    out[channel] = (unsigned short)(value < peak ? value : peak);
  }
}

// --- colour, as kernels_colour.py, one pixel at a time

#if COLOURED
__device__ double log2_of(double value) {
  u64 lifted = __double_as_longlong(value) + (0x3FF0000000000000ull - 0x3FE6A09E667F3BCDull);
  double power = __longlong_as_double((lifted >> 52) | 0x4330000000000000ull) - (4503599627370496.0 + 1023.0);
  double mantissa = __longlong_as_double((lifted & 0x000FFFFFFFFFFFFFull) + 0x3FE6A09E667F3BCDull);
  double t = (mantissa - 1.0) / (mantissa + 1.0);
  double t2 = t * t;
  double series = D_L0 + t2 * (D_L1 + t2 * (D_L2 + t2 * (D_L3 + t2 * (D_L4 + t2 * (D_L5 + t2 * (D_L6 + t2 * D_L7))))));
  return t * series + power;
}

__device__ double exp2_of(double value) {
  double bounded = value > -1000.0 ? value : -1000.0;
  bounded = bounded < 1000.0 ? bounded : 1000.0;
  double whole = floor(bounded + 0.5);
  double x = bounded - whole;
  double series = D_E6 + x * (D_E7 + x * (D_E8 + x * (D_E9 + x * (D_E10 + x * (D_E11 + x * D_E12)))));
  double two = 1.0 + x * (D_E1 + x * (D_E2 + x * (D_E3 + x * (D_E4 + x * (D_E5 + x * series)))));
  u64 bits = (u64)__double_as_longlong(whole + (4503599627370496.0 + 1023.0)) << 52;
  return two * __longlong_as_double(bits);
}

__device__ void matrix(double *p, const double *m, double p0, double q0, double r0) {
  double x = p[0], y = p[1], z = p[2];
  p[0] = p0 + m[0] * x + m[1] * y + m[2] * z;
  p[1] = q0 + m[3] * x + m[4] * y + m[5] * z;
  p[2] = r0 + m[6] * x + m[7] * y + m[8] * z;
}

__device__ void polynomial(double *p, const double *terms) {
  double r = p[0], g = p[1], b = p[2];
  for (int channel = 0; channel < 3; channel += 1) {
    const double *c = terms + 10 * channel;
    p[channel] = c[0] + r * (c[1] + c[4] * r + c[7] * g + c[8] * b) + g * (c[2] + c[5] * g + c[9] * b) + b * (c[3] + c[6] * b);
  }
}

__device__ void hues(double *p, const Colour &colour) {
  matrix(p, CONES, 0.0, 0.0, 0.0);
  for (int channel = 0; channel < 3; channel += 1) {
    double value = p[channel], size = fabs(value);
    double root = exp2_of(log2_of(size > 1e-300 ? size : 1e-300) * (1.0 / 3.0));
    root = root - (root - size / (root * root)) * (1.0 / 3.0);
    root = size > 1e-300 ? root : 0.0;
    p[channel] = value > 0.0 ? root : -root;
  }
  matrix(p, OPPONENTS, 0.0, 0.0, 0.0);
  double lightness = p[0], a = p[1], b = p[2];
  for (int number = 0; number < colour.window_count; number += 1) {
    const double *w = colour.windows + 6 * number;
    double room = 1.0 / (1.0 - w[2]);
    double chroma2 = a * a + b * b;
    double chroma = sqrt(chroma2 > LEAST_CHROMA2 ? chroma2 : LEAST_CHROMA2);
    double s = ((a * w[0] + b * w[1]) / chroma - w[2]) * room;
    s = s > 0.0 ? s : 0.0;
    s = s < 1.0 ? s : 1.0;
    double weight = s * s * (3.0 - 2.0 * s) * (chroma2 / (chroma2 + HALF_CHROMA2));
    p[0] += weight * w[5] * lightness;
    p[1] += weight * (w[3] * a - w[4] * b - a);
    p[2] += weight * (w[4] * a + w[3] * b - b);
  }
  matrix(p, OPPONENTS_BACK, 0.0, 0.0, 0.0);
  for (int channel = 0; channel < 3; channel += 1) p[channel] = p[channel] * p[channel] * p[channel];
  matrix(p, CONES_BACK, 0.0, 0.0, 0.0);
}

__device__ void density_steps(double *p, const Colour &colour, double y, double x) {
  const double *n = colour.numbers;
  if (colour.steps[S_FLICKER]) {
    for (int channel = 0; channel < 3; channel += 1) {
      const double *t = n + N_SURFACE + 7 * channel;
      double at_0 = t[0] + t[2] * y + t[5] * y * y;
      double at_x = t[1] + t[4] * y, at_xx = t[3];
      p[channel] = p[channel] + (at_0 + x * (at_x + x * at_xx)) + t[6] * (p[channel] - n[N_MIDDLE + channel]);
    }
  }
  if (colour.steps[S_FADE] == 1) {
    const double *offset = n + N_BEFORE + 9;
    matrix(p, n + N_BEFORE, offset[0], offset[1], offset[2]);
  } else if (colour.steps[S_FADE] == 2) {
    polynomial(p, n + N_BEFORE);
    polynomial(p, n + N_AFTER);
  }
  if (colour.steps[S_NEGATIVE]) {
    int last = colour.knots - 1;
    for (int channel = 0; channel < 3; channel += 1) {
      const double *curve = colour.curves + colour.knots * channel;
      double inverse = 1.0 / n[N_CURVE_STEP + channel], end = (double)last;
      double place = (p[channel] - n[N_CURVE_FIRST + channel]) * inverse;
      place = place > 0.0 ? place : 0.0;
      place = place < end ? place : end;
      long long knot = (long long)place;
      knot = knot < last - 1 ? knot : last - 1;
      p[channel] = curve[knot] + (place - (double)knot) * (curve[knot + 1] - curve[knot]);
    }
  }
  if (colour.steps[S_MONO]) {
    const double *w = n + N_WEIGHTS, *tone = n + N_TONE;
    double silver = p[0] * w[0] + p[1] * w[1] + p[2] * w[2];
    for (int channel = 0; channel < 3; channel += 1) p[channel] = tone[2 * channel] + silver * tone[2 * channel + 1];
  }
}

__device__ void decide(double *p, const Colour &colour) {
  const double *n = colour.numbers;
  for (int channel = 0; channel < 3; channel += 1) {
    p[channel] = p[channel] * n[N_SLOPE + channel] + n[N_OFFSET + channel];
    double power = n[N_POWERS + channel], value = p[channel];
    if (power != 1.0) {
      double raised = exp2_of(log2_of(value > 1e-300 ? value : 1e-300) * power);
      p[channel] = value > 0.0 ? raised : value;
    }
  }
  if (colour.steps[S_SATURATION]) {
    double amount = n[N_AMOUNT];
    double luma = 0.2126 * p[0] + 0.7152 * p[1] + 0.0722 * p[2];
    for (int channel = 0; channel < 3; channel += 1) p[channel] = luma + amount * (p[channel] - luma);
  }
}

__device__ void colour_pixel(float *light, const Colour &colour, double y, double x) {
  const double *n = colour.numbers;
  bool density = colour.steps[S_DENSITY] != 0;
  double least = n[N_FLOOR], p[3];
  for (int channel = 0; channel < 3; channel += 1) {
    double value = (double)light[channel] * n[N_SCALE + channel] + n[N_SHIFT + channel];
    value = value > least ? value : least;
    if (density) {
      p[channel] = log2_of(value) * -LOG10_2;
    } else {
      value = value * n[N_OUT_SCALE + channel] + n[N_OUT_SHIFT + channel];
      p[channel] = value < BRIGHTEST ? value : BRIGHTEST;
    }
  }
  if (density) {
    density_steps(p, colour, y, x);
    for (int channel = 0; channel < 3; channel += 1) {
      double value = exp2_of(n[N_OUT_POWER + channel] - p[channel] * LOG2_10) * n[N_OUT_SCALE + channel] + n[N_OUT_SHIFT + channel];
      p[channel] = value < BRIGHTEST ? value : BRIGHTEST;
    }
  }
  if (colour.steps[S_DECISIONS]) decide(p, colour);
  if (colour.window_count > 0 || colour.steps[S_MATRIX])
    for (int channel = 0; channel < 3; channel += 1) p[channel] = p[channel] > 0.0 ? p[channel] : 0.0;
  if (colour.window_count > 0) hues(p, colour);
  if (colour.steps[S_SHOULDER]) {
    double share = n[N_KNEE], inverse = share > 0.0 ? 1.0 / (4.0 * share) : 0.0;
    for (int channel = 0; channel < 3; channel += 1) {
      double value = p[channel] < 1.0 + share ? p[channel] : 1.0 + share;
      double over = value - (1.0 - share);
      over = over > 0.0 ? over : 0.0;
      p[channel] = value - over * over * inverse;
    }
  }
  if (colour.steps[S_MATRIX]) matrix(p, n + N_PRIMARIES, 0.0, 0.0, 0.0);
  for (int channel = 0; channel < 3; channel += 1) light[channel] = (float)p[channel];
}
#endif

__device__ void finish_pixel(float *light, const Shape &shape, const Colour &colour, const Dither &dither, int x, int y, bool inside,
                             unsigned short *out) {
#if COLOURED
  colour_pixel(light, colour, (double)(2 * y + 1) / shape.height - 1.0, (double)(2 * x + 1) / shape.width - 1.0);
#endif
  if (!inside)
    for (int channel = 0; channel < CHANNELS; channel += 1) light[channel] = 0.0f;
  store(light, hash_of(dither.frame, x, y), dither.peak, out + 3 * ((long)y * shape.width + x));
}

__device__ int within(int place, int count) { return place < 0 ? 0 : place < count ? place : count - 1; }

// --- a displaced frame: a tile of captured light, filtered along its rows and then down its columns

// Sums of twelve neighbours, RUN of them beginning one after the other; each is added from its first tap to its last.
__device__ void run_of(const float *from, int step, const float *weights, float *sums) {
#pragma unroll
  for (int k = 0; k < RUN; k += 1) sums[k] = 0.0f;
#pragma unroll
  for (int place = 0; place < TAPS + RUN - 1; place += 1) {
    float value = from[place * step];
#pragma unroll
    for (int k = 0; k < RUN; k += 1)
      if (place - k >= 0 && place - k < TAPS) sums[k] = sums[k] + weights[place - k] * value;
  }
}

extern "C" __global__ void finish_straight(const SAMPLE *samples, const float *table, int last, const float *gain, const float *offset,
                                           Shape shape, Straight move, Colour colour, Dither dither, unsigned short *out) {
  __shared__ float light[CHANNELS][HIGH][WIDE];
  __shared__ float along[CHANNELS][HIGH][TILE_X];
  int left = blockIdx.x * TILE_X, top = blockIdx.y * TILE_Y;
  int thread = threadIdx.y * TILE_X + threadIdx.x;
  for (int n = thread; n < HIGH * WIDE * CHANNELS; n += TILE_X * ROWS_OF_THREADS) {
    int row = n / (WIDE * CHANNELS), rest = n % (WIDE * CHANNELS), column = rest / CHANNELS, channel = rest % CHANNELS;
    int v = within(top + row + move.offset_y - REACH, shape.captured_height);
    int u = within(left + column + move.offset_x - REACH, shape.captured_width);
    if (move.mirrored_y) v = shape.captured_height - 1 - v;
    if (move.mirrored_x) u = shape.captured_width - 1 - u;
    light[channel][row][column] = light_of(samples, table, last, gain, offset, ((long)v * shape.captured_width + u) * CHANNELS + channel);
  }
  __syncthreads();
  // A thread makes RUN sums side by side, so that it reads a sample once for up to RUN of them.
  for (int n = thread; n < CHANNELS * HIGH * (TILE_X / RUN); n += TILE_X * ROWS_OF_THREADS) {
    int channel = n / (HIGH * (TILE_X / RUN)), rest = n % (HIGH * (TILE_X / RUN)), row = rest / (TILE_X / RUN), x = rest % (TILE_X / RUN) * RUN;
    float sums[RUN];
    run_of(&light[channel][row][x], 1, move.weights_x, sums);
#pragma unroll
    for (int k = 0; k < RUN; k += 1) along[channel][row][x + k] = sums[k];
  }
  __syncthreads();
  int x = left + threadIdx.x;
  if (x >= shape.width) return;
  int row = threadIdx.y * RUN;
  float sums[CHANNELS][RUN];
#pragma unroll
  for (int channel = 0; channel < CHANNELS; channel += 1) run_of(&along[channel][row][threadIdx.x], TILE_X, move.weights_y, sums[channel]);
#pragma unroll
  for (int k = 0; k < RUN; k += 1) {
    int y = top + row + k;
    if (y >= shape.height) return;
    bool inside = x >= move.first_x && x < move.stop_x && y >= move.first_y && y < move.stop_y;
    float pixel_light[3];
#pragma unroll
    for (int channel = 0; channel < CHANNELS; channel += 1) pixel_light[channel] = sums[channel][k];
    if (inside) {
      finish_pixel(pixel_light, shape, colour, dither, x, y, true, out);
    } else {
      unsigned short *pixel = out + 3 * ((long)y * shape.width + x);
      pixel[0] = pixel[1] = pixel[2] = 0;
    }
  }
}

// --- a turned or scaled frame: along the rows of the capture, then down its columns

__device__ int place_of(double place, int limit, int &phase) {
  place = place > -1e6 ? place : -1e6;
  place = place < 1e6 ? place : 1e6;
  long long step = (long long)floor(place * PHASES + 0.5);
  phase = (int)(step & (PHASES - 1));
  long long first = (step >> 12) - REACH;
  first = first > -TAPS ? first : -TAPS;
  return (int)(first < limit ? first : limit);
}

extern "C" __global__ void turn_along(const SAMPLE *samples, const float *table, int last, const float *gain, const float *offset,
                                      const float *phases, Shape shape, Turned move, float *along) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, v = move.low + blockIdx.y;
  if (x >= shape.width || v >= move.high) return;
  int phase, first = place_of(move.slope * (double)x + (move.per_row * (double)v + move.offset), shape.captured_width, phase);
  float sums[CHANNELS];
  for (int channel = 0; channel < CHANNELS; channel += 1) sums[channel] = 0.0f;
  for (int tap = 0; tap < TAPS; tap += 1) {
    int u = within(first + tap, shape.captured_width);
    if (move.mirrored) u = shape.captured_width - 1 - u;
    float weight = phases[phase * TAPS + tap];
    for (int channel = 0; channel < CHANNELS; channel += 1) {
      long place = ((long)v * shape.captured_width + u) * CHANNELS + channel;
      sums[channel] = sums[channel] + weight * light_of(samples, table, last, gain, offset, place);
    }
  }
  for (int channel = 0; channel < CHANNELS; channel += 1) along[((long)v * CHANNELS + channel) * shape.width + x] = sums[channel];
}

extern "C" __global__ void turn_down(const float *along, const float *phases, Shape shape, Turned move, Colour colour, Dither dither,
                                     unsigned short *out) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y;
  if (x >= shape.width) return;
  int phase, first = place_of(move.down_x * (double)x + (move.down_y * (double)y + move.down_0), shape.captured_height, phase);
  float sums[3];
  for (int channel = 0; channel < CHANNELS; channel += 1) sums[channel] = 0.0f;
  for (int tap = 0; tap < TAPS; tap += 1) {
    int v = first + tap;
    v = v < move.low ? move.low : v < move.high ? v : move.high - 1;
    float weight = phases[phase * TAPS + tap];
    for (int channel = 0; channel < CHANNELS; channel += 1)
      sums[channel] = sums[channel] + weight * along[((long)v * CHANNELS + channel) * shape.width + x];
  }
  double across = move.a * (double)x + move.b * (double)y + move.c, down = move.d * (double)x + move.e * (double)y + move.f;
  bool inside = across >= -0.5 && across <= move.captured_width - 0.5 && down >= -0.5 && down <= move.captured_height - 0.5;
  finish_pixel(sums, shape, colour, dither, x, y, inside, out);
}
